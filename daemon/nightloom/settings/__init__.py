"""What the user says: observatory, targets and policies, read from one folder of TOML."""
