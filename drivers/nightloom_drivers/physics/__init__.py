"""What the simulated sky and the simulated rig do, with no protocol in it."""
