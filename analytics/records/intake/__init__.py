"""Files in: whatever was handed over becomes tables of text with row numbers, and nothing is interpreted yet."""
