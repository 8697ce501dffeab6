"""The shell of creaseside: it touches the world (camera, pose model, sound, screen, disk) and decides nothing about bodies."""
import os

VERSION = "0.1.0"

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")     # stdout is for JSON; read when pygame is first imported
