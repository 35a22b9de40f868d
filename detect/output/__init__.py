"""The output wing: the same findings as JSON, CSV, WebVTT and a page. It computes nothing."""
