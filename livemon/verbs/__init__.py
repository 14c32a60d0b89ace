"""One file a command.  Each has `add_arguments(parser)` and `run(args) -> exit status`; only `cli` imports them."""
