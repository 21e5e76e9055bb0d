"""What a plugin is: stages with their settings and parameters, the hooks, and finding them."""
