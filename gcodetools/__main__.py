"""`python -m gcodetools` is the command `beadwright`."""

from gcodetools.cli.main import run

if __name__ == "__main__":
    run()
