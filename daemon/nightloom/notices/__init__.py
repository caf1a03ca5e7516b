"""Word to a person, wherever they are: of which events, where to, and for how long."""
