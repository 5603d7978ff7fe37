"""The rulebook room: YAML rule files, read, checked with line numbers, inherited, resolved for one limb."""
