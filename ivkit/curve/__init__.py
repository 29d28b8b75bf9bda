"""Which curve is it: a sweep to a single-diode model and its key points."""
