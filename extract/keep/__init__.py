"""What the project file is made of: a build as text, and a zip that is read with care."""
