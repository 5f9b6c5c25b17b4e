"""The live page: served by the host itself, asking nothing of any other address."""
