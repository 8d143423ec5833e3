"""Networks: which addresses are public, and which others a setting lets in."""
