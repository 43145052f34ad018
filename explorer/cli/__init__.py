"""The command line: arguments in, answers out, exit codes. The only part that prints and that knows the terminal.

Nothing is worked out here: a command reads its study, calls `flow` and words the answer. Change options and commands
freely in form, not in name: users' scripts lean on them. `explorer.cli:main` is the entry.
"""

from explorer.cli.commands import main

__all__ = ["main"]
