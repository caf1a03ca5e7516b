"""A link carries INDI properties to devices, real or simulated."""
