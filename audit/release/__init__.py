"""What leaves the kit: files in a folder, written whole or not at all."""
