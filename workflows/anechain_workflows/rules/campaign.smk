# One rule for each stage that runs once for the campaign.


def manifests(stage):
    """Manifests of a stage: of every batch, or of the campaign."""
    return expand(f"{CHAIN}/{stage}/{{batch}}.json", batch=PLAN.batches if stage in DEVICE_STAGES else ["all"])


for stage in CAMPAIGN_STAGES:

    rule:
        name:
            stage
        input:
            [manifest for before in STAGES[stage].after for manifest in manifests(before)],
        output:
            f"{CHAIN}/{stage}/all.json",
        params:
            depends=dependencies(PLAN, stage),
        shell:
            # The text is formatted when the job starts, after the loop: `stage` would be the last one.
            f"{RUN} {{rule}}"
