"""Evidence: sales, askings and offers, taken in, corrected and withdrawn, with every change kept."""
