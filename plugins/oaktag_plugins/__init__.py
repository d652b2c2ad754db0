"""Every stage that ships with oaktag; each registers by entry point, as anybody's would."""
