"""The small network that finds the part in the whole photo, so that grading looks once, and closely."""
