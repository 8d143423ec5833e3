"""Read evidence, make the demo market, and fit and judge price models. Nothing here imports the service."""
