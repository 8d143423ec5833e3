"""Measure what the trees add to the backbone, on markets of seeds that no choice was made on."""
