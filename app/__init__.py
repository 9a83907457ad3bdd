"""Everything a person touches: the measurement as a whole, commands, page, files."""

import os

# Matrices here are small: threads of the linear algebra library would only wait for each other and take the
# cores from the video decoder. It reads this when it is first loaded, so it must be set before numpy is.
os.environ.setdefault("OMP_NUM_THREADS", "1")
