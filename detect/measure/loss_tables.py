"""Tables of the loss score, as printed by ``python -m tests.fit_losses``; log odds at the knots of loss_score.KNOTS."""

CONSTANT = -0.78
TABLES: dict[str, tuple[float, ...]] = {
    "core/noise": (0.58, 0.85, -0.32, -1.11),
    "core/control": (-0.39, -0.19, 0.10, 0.48),
    "stands_out/lines": (-1.09, -1.79, 0.34, 2.55),
    "mean/rest": (0.62, -0.01, -0.61),
    "length": (-0.29, 0.00, -0.05, -0.23, 0.57),
    "count": (-2.56, -1.96, -0.10, 0.93, 3.70),
    "fill": (1.86, 0.65, -0.45, -2.06),
    "one_sign": (0.46, 0.84, -1.30),
    "stack": (1.24, -0.35, -0.88),
    "move": (0.04, -0.13, 0.09),
    "stands_out/beside": (0.43, -0.23, -0.35, 0.16),
    "core/stands_out": (3.07, -0.06, -1.41, -1.60),
    "neighbours": (-1.17, -0.84, 0.93, 1.07),
    "ends": (-0.07, -0.69, 0.76),
    "core": (-5.50, -1.64, 2.01, 5.14),
    "mean/noise": (-1.09, 0.40, 0.36, 0.32),
    "mean/control": (-1.75, -0.94, 0.69, 2.00),
    "mean/stands_out": (0.76, 0.34, 0.64, -0.47, -1.27),
    "again/stands_out": (-4.19, -1.26, 1.21, 2.64, 1.60),
    "crowd": (2.23, 0.41, -0.90, -1.74),
}
