"""The path-traced studio: the same records as the sketch, drawn as solid bodies in a lit room."""
