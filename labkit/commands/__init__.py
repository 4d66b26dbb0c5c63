"""The commands, one file each: ``add_parser`` says what it takes, ``run`` does it and returns the exit code."""
