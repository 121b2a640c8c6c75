"""The Snakemake workflow."""
