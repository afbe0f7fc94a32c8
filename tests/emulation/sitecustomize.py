"""Every Python that a test starts under ``pytest --as-windows`` sees the same files as the test."""

import os
import sys

if root := os.environ.get("LEVELRIG_TEST_AS_WINDOWS"):
    import importlib.util
    from pathlib import Path

    _spec = importlib.util.spec_from_file_location(
        "levelrig_windows_files", Path(__file__).with_name("windows_files.py")
    )
    _module = importlib.util.module_from_spec(_spec)
    sys.modules[_spec.name] = _module
    _spec.loader.exec_module(_module)
    _module.install(root)
