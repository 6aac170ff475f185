"""What is done to summary tables so that nobody can be recognised in what leaves."""
