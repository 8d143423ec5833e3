"""Work that a worker does not do itself: in a process of its own, under limits of memory and time."""
