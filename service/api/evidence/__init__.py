"""Evidence: sales, asking prices and offers, taken in, corrected and withdrawn, with every change kept."""
