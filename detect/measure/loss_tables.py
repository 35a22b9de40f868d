"""Tables of the loss score, as printed by ``python -m tests.fit_losses``; log odds at the knots of loss_score.KNOTS."""

CONSTANT = -0.77
TABLES: dict[str, tuple[float, ...]] = {
    "core/noise": (0.40, 0.76, -0.34, -0.82),
    "core/control": (-0.20, 0.08, -0.07, 0.19),
    "stands_out/lines": (0.32, -2.17, -0.45, 2.30),
    "mean/rest": (0.85, -0.37, -0.48),
    "length": (-0.65, -0.05, 0.07, -0.04, 0.67),
    "count": (-2.32, -1.83, -0.08, 0.57, 3.65),
    "fill": (1.62, 0.67, -0.22, -2.07),
    "one_sign": (0.46, 0.78, -1.24),
    "stack": (1.06, -0.44, -0.61),
    "move": (-0.04, 0.02, 0.02),
    "stands_out/beside": (-0.18, -0.30, -0.21, 0.69),
    "core/stands_out": (2.99, 0.19, -1.41, -1.77),
    "neighbours": (-0.60, -0.36, 0.38, 0.58),
    "ends": (-0.26, -0.53, 0.79),
    "core": (-5.44, -1.16, 2.19, 4.41),
    "mean/noise": (-0.75, 0.52, 0.12, 0.11),
    "mean/control": (-2.23, -0.81, 0.84, 2.20),
    "mean/stands_out": (0.44, -0.11, 0.83, 0.04, -1.20),
    "again/stands_out": (-4.99, -0.77, 1.50, 2.94, 1.32),
    "crowd": (2.37, 0.44, -1.12, -1.69),
    "crowd_at_cut": (0.37, 0.25, 0.15, -0.77),
}
