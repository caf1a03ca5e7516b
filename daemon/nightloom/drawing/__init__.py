"""Our own drawing: a few strokes of SVG, plots of them, and sheets that hold several.

Everything told by colour is told by a mark, a dash or a width as well, and all of it is ink on
white paper. Names stand above what they name, never among its curves.
"""
