"""Freezes the relay into an image: `make FROZEN_MANIFEST=.../firmware/manifest.py` in a port of MicroPython.

A frozen main.py is run at every start, before any on the file system.
"""

package("warden", opt=3)  # noqa: F821
package("boards", opt=3)  # noqa: F821
module("main.py", opt=3)  # noqa: F821
