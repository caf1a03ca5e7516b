"""The log: typed events, one JSON object a line."""
