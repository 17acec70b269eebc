"""The screen of the training hall: the last turn, read from the bars."""
