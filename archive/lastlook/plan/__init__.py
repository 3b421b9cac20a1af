"""The plan of a build: reading, writing, merging, and the words it knows. Pure functions over records, no files."""
