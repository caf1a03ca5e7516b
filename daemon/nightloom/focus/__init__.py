"""Where the focuser belongs: curves of star size, filter offsets, the watch for drift."""
