"""The command line: arguments to one call, answers and errors to plain text or JSON, and an exit code.

Exit codes: 0 done, whatever the verdict; 2 the input must be corrected; 1 the program itself failed or a limit of time
stopped it; 130 stopped by hand.
"""

from forensics.cli.answer import CORRECT, DONE, FAILED, STOPPED
from forensics.cli.main import main

__all__ = ["CORRECT", "DONE", "FAILED", "STOPPED", "main"]
