"""Written tests of a machine, and the bench in virtual time that they run on."""
