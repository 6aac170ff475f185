"""`python -m audit`: the same as the `lengthening-audit` command."""

import sys

from audit.commands import main

if __name__ == "__main__":
    sys.exit(main())
