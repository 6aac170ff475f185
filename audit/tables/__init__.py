"""Tables that a person reads: labels, rounding, denominators, footnotes. They compute nothing."""
