"""The maker's arithmetic: raw samples → thresholds, skew, seal, and what a self-test found; pure, without ports."""
