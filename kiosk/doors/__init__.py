"""The commands, one file each with a `command`. A file is imported only when its command is called, so that --help is quick."""
