"""What ``bench/stage.py`` measures stage with: scenes of known truth, and one module for each thing measured."""
