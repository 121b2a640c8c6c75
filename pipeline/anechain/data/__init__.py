"""The data contract, files in and out, and what a number and a measurement check are."""
