"""One file a command. At the top of each only typer; what a command needs it imports when it runs."""
