"""Flask's hooks: each module does one thing before every view or to every answer, as `service.app` lists."""
