"""How good the values are: ratio study, intervals, groups, backtest and the gate before promotion."""
