"""Summary tables as files for people outside the department, by one way only."""

from audit.release.summary.facts import ReleaseFacts
from audit.release.summary.manifest import write_manifest
from audit.release.summary.summary_files import save_release
from audit.release.summary.verify import verify_release

__all__ = ["ReleaseFacts", "save_release", "verify_release", "write_manifest"]
