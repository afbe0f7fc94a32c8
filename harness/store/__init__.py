"""The campaign folder: what was begun, what became of it, and every file that was measured.

What is promised
================

1. *An accepted repeat survives* any crash of program, driver or machine: when ``commit_attempt`` returns, its
   files and its journal entry are on the disk, as far as the disk and the system keep their own promises.
2. *No repeat is counted twice.* The journal itself refuses a second acceptance of the same repeat.
3. *Nothing half-written is read.* A file gets its name only once it is whole and synced; until then it
   carries the suffix ``.partial``, and whoever reads results passes it by. Its SHA-256 goes into the journal
   together with the attempt's outcome.
4. *Every attempt has a durable start* before its profile is applied, so a machine that goes down again and
   again under a profile is counted, and the profile is set aside as unstable in the end.
5. *A start without an end is an interruption,* never a success: it is closed at the next opening, kept as
   evidence with whatever can be saved of its telemetry, and measured again. If the boot identity changed, the
   rig was lost; if not, only levelrig had ended. Two limits: where levelrig was killed and the machine was
   restarted before the next run, this counts as a loss of the rig; where the system has no boot identity,
   its start time stands in.
6. *A failed fsync is never repeated.* The kernel marks the pages of a failed fsync clean, so a second one
   would report a success that never was (Rebello et al., "Can Applications Recover from fsync Failures?",
   USENIX ATC 2020). The store stops writing at once; the next opening copies the journal, as far as it is
   whole, into a new file, syncs that, and goes on with it.
7. *A full disk pauses the campaign.* The attempt ends as interrupted, the journal stays whole, the message
   says what is needed, and the same command goes on.
8. *A heartbeat is not durable,* on purpose: it would wait for the disk in the middle of a measurement.
   Nor is anything of a rehearsal, which is made again at will: it waits for no disk, so a power cut may take
   it. A kill of its process takes nothing.

What is not promised: anything on a disk that lies about fsync, on a network file system without locks, or
after somebody else changed the files; ``verify`` finds the last of these. On Windows the names of new files
are as durable as NTFS's own journal makes them: there is no call to sync a folder, and nothing of this
could be tried there.

Where it is kept: ``files`` (all effects on the disk), ``journal`` (SQLite, write-ahead log, synchronous
FULL), ``records`` (its tables as values), ``artifacts``, ``opening`` (begin or go on), ``campaign`` and
``view`` (what callers see), ``standing``, ``changes``, ``space`` (pure rules), ``dataset``,
``manifest``, ``verify``.
"""
