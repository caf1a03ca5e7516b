"""Where things stand and how dark it is, with no network."""
