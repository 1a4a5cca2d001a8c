"""The faces: thin doors to the desk."""
