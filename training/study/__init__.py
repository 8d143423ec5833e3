"""Judging a model: backtest, holdout, market index and gate (`models.study` has the figures)."""
