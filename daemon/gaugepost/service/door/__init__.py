"""The door of the service: who may come in, from where, over what, and how much may be said."""
