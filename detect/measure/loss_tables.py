"""Tables of the loss score, as printed by ``python -m tests.fit_losses``; log odds at the knots of loss_score.KNOTS."""

CONSTANT = -0.67
TABLES: dict[str, tuple[float, ...]] = {
    "core/noise": (0.86, 0.39, -0.54, -0.70),
    "core/control": (0.10, 0.06, -0.46, 0.30),
    "stands_out/lines": (-0.05, -1.49, -0.76, 2.31),
    "mean/rest": (1.69, -0.43, -1.26),
    "length": (-0.17, -0.19, -0.12, -0.08, 0.56),
    "count": (-2.06, -1.26, -0.26, 0.74, 2.84),
    "fill": (1.13, 0.69, -0.27, -1.55),
    "one_sign": (0.21, 0.30, -0.51),
    "stack": (0.50, -0.12, -0.38),
    "move": (0.56, -0.32, -0.24),
    "stands_out/beside": (-0.38, -0.57, -0.03, 0.98),
    "core/stands_out": (2.94, 0.04, -1.23, -1.75),
    "neighbours": (-1.91, -0.91, -0.25, 1.16),
    "ends": (0.36, -0.66, 0.31),
    "core": (-4.95, -0.99, 1.89, 4.04),
    "mean/noise": (-1.53, 0.58, 1.16, -0.22),
    "mean/control": (-2.19, -0.69, 0.47, 2.41),
    "mean/stands_out": (1.12, -0.33, 0.19, -0.45, -0.53),
    "again/stands_out": (-4.27, -1.35, 1.08, 2.63, 1.91),
    "crowd": (2.16, 0.49, -1.33, -1.33),
}
