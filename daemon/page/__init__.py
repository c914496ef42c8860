"""The page that the daemon serves: how every vessel stands, its chart, and the few things to do; and the same for scripts."""
