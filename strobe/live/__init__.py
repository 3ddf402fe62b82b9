"""The live readout: follows the dots from a camera, a stream or a paced clip, and says which way to turn.

The same capture, pattern and phase layers as the reading of a clip; the last word of a run is a full `Measurement` of
its settled part.
"""

from strobe.live.records import SCHEMA, LiveOptions, LiveOutcome, LiveUpdate
from strobe.live.run import LiveRun

__all__ = ["SCHEMA", "LiveOptions", "LiveOutcome", "LiveRun", "LiveUpdate"]
