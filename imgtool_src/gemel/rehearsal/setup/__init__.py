"""From layout, image and builds to the plan of an emulated device."""
