"""The files of a paper: document, tables, figures at journal sizes, references."""
