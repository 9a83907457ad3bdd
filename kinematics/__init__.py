"""Numbers in, numbers out: four-bar linkages, strokes, travel curves and their condition."""
