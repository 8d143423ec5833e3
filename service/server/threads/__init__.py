"""The connections of a worker, and the threads that its requests are worked on by."""
