"""`python -m platemark` is the command `platemark`."""

from platemark.face.cli import main

main(prog_name="platemark")
