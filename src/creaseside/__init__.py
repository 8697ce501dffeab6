"""The engine of creaseside: from poses in time to a measured, judged ball. No clock, thread, window, sound, disk or random seed."""
