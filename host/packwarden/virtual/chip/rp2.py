"""Its being there says that this is the RP2040 port; the firmware uses nothing of it."""
