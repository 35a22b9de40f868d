"""Line-up captures: signals with a known picture, measured far finer than programme, for setting up a deck.

``capture`` gathers frames into blocks, ``zones`` and ``displacement``, ``packets``, ``colours`` read lines against
the known pattern, ``heads`` fits the four heads, ``result`` holds what came out. ``turn`` does the arithmetic of a
trial turn, ``muted`` and ``numbering`` number the heads, ``deck_file`` and ``history`` keep them. Nothing here opens
a video file but ``run``.
"""
