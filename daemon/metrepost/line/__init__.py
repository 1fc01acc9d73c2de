"""The line: stations, length axis, coverage, line state, products, reels, stretches. Pure."""
