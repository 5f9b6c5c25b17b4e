"""The live page: served by the host itself, with no request to any other address."""
