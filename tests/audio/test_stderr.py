"""C libraries are kept quiet, Python is not."""

import subprocess
import sys

PROGRAM = """
import os, sys
from drilltimer.audio.stderr import HushedStderr
hush = HushedStderr()
os.write(2, b"from a library;")
print("from Python;", end="", file=sys.stderr)
hush.end()
hush.end()
os.write(2, b"library again;")
print("Python again", end="", file=sys.stderr)
"""


def test_only_what_libraries_write_is_swallowed_and_only_until_the_end():
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True)
    assert done.stderr == "from Python;library again;Python again"


def test_a_program_without_descriptor_2_is_no_trouble():
    done = subprocess.run(
        ["sh", "-c", f'exec "{sys.executable}" -c "$0" 2>&-', PROGRAM.replace("os.write(2", "os.write(1")],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0
    assert done.stdout.startswith("from a library;")
