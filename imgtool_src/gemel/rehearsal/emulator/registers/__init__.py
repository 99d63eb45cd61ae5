"""The device's registers as the layout describes them, and what devices do by themselves."""
