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


rule distortion:
    input:
        f"{CHAIN}/ingest/{{batch}}.json",
        f"{CHAIN}/derive/{{batch}}.json",
    output:
        f"{CHAIN}/distortion/{{batch}}.json",
    params:
        depends=PLAN.depends("distortion"),
    shell:
        f"{RUN} distortion {{wildcards.batch}}"


rule compression:
    input:
        f"{CHAIN}/ingest/{{batch}}.json",
        f"{CHAIN}/distortion/{{batch}}.json",
    output:
        f"{CHAIN}/compression/{{batch}}.json",
    params:
        depends=PLAN.depends("compression"),
    shell:
        f"{RUN} compression {{wildcards.batch}}"


rule numbers:
    input:
        f"{CHAIN}/ingest/{{batch}}.json",
        f"{CHAIN}/derive/{{batch}}.json",
        f"{CHAIN}/compression/{{batch}}.json",
        f"{CHAIN}/distortion/{{batch}}.json",
    output:
        f"{CHAIN}/numbers/{{batch}}.json",
    params:
        depends=PLAN.depends("numbers"),
    shell:
        f"{RUN} numbers {{wildcards.batch}}"


rule draw:
    input:
        f"{CHAIN}/ingest/{{batch}}.json",
        f"{CHAIN}/derive/{{batch}}.json",
        f"{CHAIN}/distortion/{{batch}}.json",
        f"{CHAIN}/compression/{{batch}}.json",
        f"{CHAIN}/numbers/{{batch}}.json",
    output:
        f"{CHAIN}/draw/{{batch}}.json",
    params:
        depends=PLAN.depends("draw"),
    shell:
        f"{RUN} draw {{wildcards.batch}}"
