"""`python -m trafficplan`."""

from trafficplan.cli.main import run

if __name__ == "__main__":
    run()
