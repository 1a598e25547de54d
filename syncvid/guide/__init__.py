"""The guide track: from a plan or a score to the sound that everybody records to."""
