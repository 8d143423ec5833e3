"""The catalogue of the current bundle: what a form's menus need."""
