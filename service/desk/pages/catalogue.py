"""The catalogue, to be looked at: it belongs to the price model, and changes with the next fit."""

from __future__ import annotations

from flask import render_template

from service.api.catalogue import services
from service.desk.blueprint import blp


@blp.get("/catalogue")
def show_catalogue() -> str:
    """List makers and models."""
    return render_template("desk/catalogue.html", catalogue=services.whole())


@blp.get("/catalogue/<name:maker>/<name:model>")
def show_catalogue_model(maker: str, model: str) -> str:
    """Show all that is known of one model."""
    return render_template("desk/catalogue_model.html", model=services.model(maker, model))
