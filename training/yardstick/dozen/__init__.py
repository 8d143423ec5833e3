"""How good a fit of few sales is, with common practice and without, on markets whose truth is known."""
