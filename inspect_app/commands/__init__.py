"""What each subcommand of ``inspect-app`` does; imported only when it is asked for."""
