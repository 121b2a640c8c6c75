"""The plan of a run, the workflow process, and the results folder."""
