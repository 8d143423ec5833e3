"""An owner's request for an appraisal, from the form to the report."""
