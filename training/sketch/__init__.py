"""The sketch engine: flat slices under a pinhole camera, in NumPy and OpenCV."""
