"""How good values were against prices paid: of a model that is judged, and of a service's own past."""
