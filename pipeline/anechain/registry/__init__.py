"""What a device's results are made of: one table of sources, one of stages, one of figures.

To add a source, a stage or a figure, write its module and add one entry here; the campaign file, its JSON Schema, the
workflow and the page follow the tables. Modules are named by text and imported when they are needed, so that the
tables lie below everything that they name.
"""
