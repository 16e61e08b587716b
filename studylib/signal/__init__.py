"""Signal processing: arrays in, numbers with uncertainties out; no tables, no statistics."""
