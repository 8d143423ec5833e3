"""The specialist's own settings: what reports and e-mails say in the specialist's name."""
