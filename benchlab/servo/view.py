"""Some of a servo's rows, all channels of them, each read once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from benchlab.servo.samples import GAP, median3

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from benchlab.servo.samples import Samples
    from benchlab.servo.windows import Array, Rows


class View:
    """Rows ``[start, stop)`` of a record; row numbers of its methods count from ``start``."""

    def __init__(self, samples: Samples, start: int, stop: int) -> None:
        self.samples = samples
        self.start, self.stop = max(start, 0), min(stop, len(samples))
        self._held: dict[tuple[str, str], Array] = {}
        self._whole: dict[str, bool] = {}

    def raw(self, channel: str) -> Array:
        """Return the channel as it was read."""
        return self._once("raw", channel, lambda: self.samples.read(channel, self.start, self.stop))

    def whole(self, channel: str) -> bool:
        """Whether the channel has a number in every row."""
        if channel not in self._whole:
            self._whole[channel] = bool(np.isfinite(self.raw(channel)).all())
        return self._whole[channel]

    def filled(self, channel: str) -> Array:
        """Return the channel with missing samples replaced by straight lines between their neighbours."""
        if self.whole(channel):
            return self.raw(channel)
        return self._once("filled", channel, lambda: self.samples.filled(channel, self.start, self.stop))

    def smooth(self, channel: str) -> Array:
        """Return the filled channel with single wrong samples removed, but for the first and last of the view."""
        return self._once("smooth", channel, lambda: median3(self.filled(channel), at_start=True, at_end=True))

    def _once(self, how: str, channel: str, work: Callable[[], Array]) -> Array:
        if (how, channel) not in self._held:
            self._held[how, channel] = work()
        return self._held[how, channel]

    def broken(self, row: Rows) -> NDArray[np.bool_]:
        """Whether a gap, a split of the clock or the beginning of a log lies before rows (not the first)."""
        time, segment = self.raw("time_s"), self.raw("segment")
        apart = (time[row] - time[row - 1] > GAP * self.samples.sampling_s) | (segment[row] != segment[row - 1])
        return np.asarray(apart | np.isin(row + self.start, self.samples.first))
