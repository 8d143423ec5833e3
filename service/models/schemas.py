"""What the model card looks like to a program: an open document, written when the model was fitted."""

from __future__ import annotations

from marshmallow import INCLUDE, Schema, fields

from service.schemas import said


class CardSchema(Schema):
    """What the model is, on what evidence it stands and how it did on sales it had not seen."""

    class Meta:
        """More members than those named here."""

        unknown = INCLUDE

    title = fields.String(**said("what the document is"))
    made = fields.String(**said("the day on which the model was fitted"))
