"""Which target when: a plan over the whole night, made again after every interruption."""
