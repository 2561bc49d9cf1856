"""The desk: the web application over the same functions as the command line."""
