# One rule for each stage that runs device by device, in batches.


for stage in DEVICE_STAGES:

    rule:
        name:
            stage
        input:
            [f"{CHAIN}/{before}/{{batch}}.json" for before in STAGES[stage].after],
        output:
            f"{CHAIN}/{stage}/{{batch}}.json",
        params:
            depends=lambda wildcards, stage=stage: dependencies(PLAN, stage, wildcards.batch),
        shell:
            # The text is formatted when the job starts, after the loop: `stage` would be the last one.
            f"{RUN} {{rule}} {{wildcards.batch}}"
