"""The data contract as versioned YAML, and the JSON Schema of the campaign file."""
