"""The crew: one part for each job at the rig, each minding its own and none knowing the phase."""
