"""Pure signal maths: whitening, peaks, notes; arrays in, arrays out."""
