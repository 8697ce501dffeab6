"""The shell of creaseside: it touches the world (camera, pose model, sound, screen, disk) and decides nothing about bodies."""

VERSION = "0.1.0"
