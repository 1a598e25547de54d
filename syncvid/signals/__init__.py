"""Pure signal maths: whitening, peaks, onsets; arrays in, arrays out."""
