"""The learner's practice: one state machine, and the actor that runs it."""
