"""``python -m forensics``: as the console script, without the modules that lie in the working directory.

Python puts the working directory first before this is reached. What is imported from here on comes from elsewhere; a
``forensics.py`` that lies there is run in place of this file, which only ``python -P -m forensics`` or the console
script prevents.
"""

import os
import sys

# where the program itself lies in the working directory, that folder is no stranger
_own = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
if not sys.flags.safe_path and sys.path and os.path.abspath(sys.path[0]) == os.getcwd() != _own:
    del sys.path[0]

from forensics.cli import main  # noqa: E402 - after the path is what it should be

if __name__ == "__main__":
    raise SystemExit(main())
