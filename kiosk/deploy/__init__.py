"""Deploy: what a hall's PC needs to run the kiosk by itself: the service, and updates from a stick with a way back.

    creaseside.service   the unit: started with the screen, watched, with the least rights
    install.sh           puts a copy and the unit in place, for a user of its own
    update.py            another version from a stick; back to the one before where it does not start
"""
