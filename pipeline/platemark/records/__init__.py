"""What is remembered: manifests, originals, profiles and stage sources, written so that they last."""
