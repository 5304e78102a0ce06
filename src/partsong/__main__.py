"""``python -m partsong``: the same as the ``partsong`` command."""

from partsong.cli.main import run

if __name__ == "__main__":
    run()
