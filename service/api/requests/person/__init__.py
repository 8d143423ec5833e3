"""What is kept about a request beside its state: notes, history, and the owner, who can be erased."""
