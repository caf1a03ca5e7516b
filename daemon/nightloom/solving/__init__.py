"""Where a frame points: plate solving by a subprocess or a local catalogue."""
