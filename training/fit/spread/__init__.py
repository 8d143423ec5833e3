"""Learn the spread, which is how far prices scatter around values, from sales left out of the fit."""
