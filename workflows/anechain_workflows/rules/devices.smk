# Stages that work device by device, in batches.


rule ingest:
    output:
        f"{CHAIN}/ingest/{{batch}}.json",
    params:
        depends=lambda wildcards: PLAN.depends("ingest", wildcards.batch),
    shell:
        f"{RUN} ingest {{wildcards.batch}}"


rule derive:
    input:
        f"{CHAIN}/ingest/{{batch}}.json",
    output:
        f"{CHAIN}/derive/{{batch}}.json",
    params:
        depends=PLAN.depends("derive"),
    shell:
        f"{RUN} derive {{wildcards.batch}}"


rule draw:
    input:
        f"{CHAIN}/ingest/{{batch}}.json",
        f"{CHAIN}/derive/{{batch}}.json",
    output:
        f"{CHAIN}/draw/{{batch}}.json",
    params:
        depends=PLAN.depends("draw"),
    shell:
        f"{RUN} draw {{wildcards.batch}}"
