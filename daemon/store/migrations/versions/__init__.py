"""The revisions, oldest first: one file each, named after its number."""
