"""The watcher as a service of the user: one description, written for the manager of each system."""
