"""Words and numbers of the trade; touches no file."""
