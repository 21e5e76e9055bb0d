"""Looking whether all is well around a studio: one small check for each thing that can be wrong."""
