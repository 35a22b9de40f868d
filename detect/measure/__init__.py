"""The measuring wing: from a file to readings. It knows lines and windows, never heads or faults."""
