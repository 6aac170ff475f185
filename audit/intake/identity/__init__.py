"""The identity guard: headings, cells of unknown columns, ids and free texts."""
