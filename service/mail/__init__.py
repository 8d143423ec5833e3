"""E-mails to owners and to the specialist: queued with the change that they tell of, sent once afterwards."""
