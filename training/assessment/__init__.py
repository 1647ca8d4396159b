"""The evaluation report: grades a labelled set with a model, counts, compares, and writes a page of it."""
