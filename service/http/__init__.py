"""HTTP code that all API resources share: views, bodies, answers, lists in pages."""
