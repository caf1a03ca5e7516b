"""Darks, biases and flats: what lights ask for, and how they come to be on level and dark."""
