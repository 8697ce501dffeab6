"""Scenes: one screen a file, four verbs each: enter, tick, next, leave. They draw a View and decide nothing."""
