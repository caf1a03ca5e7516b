"""The night itself: phases, what interrupts them, and the way to parked and closed."""
