"""The same as the console script, for where that is not on the path: ``python -m dashboard.commands``."""

from dashboard.commands.app import main

if __name__ == "__main__":
    main()
