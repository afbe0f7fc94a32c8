"""What levelrig asks of Windows itself, one mechanism a module, each on calls that a test can stand in for.

:mod:`harness.windows.calls` states the signature of every call once. None of it ran on Windows before it was
shipped: the tests hold it against an emulation of what the pages of learn.microsoft.com document, cited by
function name and written from memory; ``levelrig doctor --self-test`` tries it on the machine itself.
"""
