"""The job folder: files, rounds, journal, lock."""
