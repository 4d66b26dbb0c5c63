"""What each page knows and can do: models without a widget in them, and the worker that computes for them."""
