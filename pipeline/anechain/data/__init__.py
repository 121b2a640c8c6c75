"""The data contract, reading and writing files, and the types of numbers and measurement checks."""
