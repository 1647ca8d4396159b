"""The whole way from nothing to a calibrated, evaluated model folder, by one plan."""
