"""The config and the tickets: models, units, paper sizes, and errors that name file, table, key and remedy."""

CONFIG_NAME = "platemark.toml"
