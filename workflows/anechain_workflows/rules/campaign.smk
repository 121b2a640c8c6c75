# Stages that work on the whole campaign.


rule compare:
    # Everything that is done device by device comes first, so that one failed device keeps no other from being finished.
    input:
        expand(f"{CHAIN}/derive/{{batch}}.json", batch=PLAN.batches),
        expand(f"{CHAIN}/distortion/{{batch}}.json", batch=PLAN.batches),
        expand(f"{CHAIN}/compression/{{batch}}.json", batch=PLAN.batches),
        expand(f"{CHAIN}/numbers/{{batch}}.json", batch=PLAN.batches),
        expand(f"{CHAIN}/draw/{{batch}}.json", batch=PLAN.batches),
    output:
        f"{CHAIN}/compare/all.json",
    params:
        depends=PLAN.depends("compare"),
    shell:
        f"{RUN} compare"


rule report:
    input:
        f"{CHAIN}/compare/all.json",
        expand(f"{CHAIN}/draw/{{batch}}.json", batch=PLAN.batches),
    output:
        f"{CHAIN}/report/all.json",
    params:
        depends=PLAN.depends("report"),
    shell:
        f"{RUN} report"


rule crate:
    input:
        f"{CHAIN}/report/all.json",
    output:
        f"{CHAIN}/crate/all.json",
    params:
        depends=PLAN.depends("crate"),
    shell:
        f"{RUN} crate"
