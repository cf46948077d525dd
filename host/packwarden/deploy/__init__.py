"""The firmware onto a board: `payload` is what goes, `board` is who takes it, `steps` is in what order."""
