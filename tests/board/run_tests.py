"""Runs the test_ functions of modules on a real MicroPython; not collected by pytest."""

import sys


def run(names):
    """Number of failed tests of these modules; what failed and why is printed."""
    passed = failed = 0
    for name in names:
        module = __import__(name)
        for test in dir(module):
            if test.startswith("test_"):
                try:
                    getattr(module, test)()
                    passed += 1
                except Exception as error:  # noqa: BLE001 (whatever a test raises is its failure)
                    failed += 1
                    print(f"FAILED {name}.{test}")
                    sys.print_exception(error)
    print(f"{passed} passed, {failed} failed")
    return failed


if __name__ == "__main__":
    sys.exit(1 if run(sys.argv[1:]) else 0)
