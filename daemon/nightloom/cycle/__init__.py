"""Which sub comes next: shares, the order of a cycle, and where it dithers."""
