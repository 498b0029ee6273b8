"""The certificate: what is stated, its page, seal and check. Start with `issue`."""
