"""Charts over time, funnels and sums of misses of every criterion."""
