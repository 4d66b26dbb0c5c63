"""What lies on the bench: shims, the rig, the conditions and the readings, from text to validated data."""
