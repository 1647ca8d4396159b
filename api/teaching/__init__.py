"""Teaching: examples, labels, agreement, data sets, trainings, and which model grades."""
