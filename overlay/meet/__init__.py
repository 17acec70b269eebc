"""What meet staff see: whether all is well, who is on the bars, who is next; and what they print."""
