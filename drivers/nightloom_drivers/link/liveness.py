"""Whether a server still makes itself understood, judged by what has come from it.

Bytes alone are no sign of life: after one message that was cut short all that follows is taken
for its inside, and no message ever ends again. Nor can messages alone be asked for: a frame may
take minutes, and brings none meanwhile.
"""

from collections import deque

FRAME_BYTES_PER_S = 10_000
"""A frame comes at least this fast; at this rate one of 50 MB would take an hour and a half."""
FRAME_S_MAX = 600.0
"""No frame takes longer, however fast bytes come."""
MESSAGE_BYTES_MAX = 512 * 2**20
"""No message is longer: 150 megapixels of two bytes are 400 MB in base64. libindi holds it all."""
UNASKED_SILENCES = 3
"""A server that answers no sign of life speaks by itself at times: it is given so much longer."""


class Liveness:
    """What has come over one connection, and what is concluded from it; all times in seconds."""

    def __init__(self, silence_s: float, now_s: float) -> None:
        self._silence_s = silence_s
        self._messages = 0
        self._heard_s, self._heard_bytes = now_s, 0
        self._unheeded_s: float | None = None
        """When bytes came that no message has come of yet."""
        self._flow: deque[tuple[float, int]] = deque([(now_s, 0)])

    def lost(self, now_s: float, received_bytes: int, messages: int, *, answers: bool) -> str:
        """Why the server is to be given up, or an empty text.

        `received_bytes` and `messages` count all that came so far; `answers` says that it has
        answered requests for a sign of life. One that never sent a byte owes one as well.
        """
        if messages != self._messages:
            self._messages = messages
            self._heard_s, self._heard_bytes, self._unheeded_s = now_s, received_bytes, None
        elif received_bytes > self._heard_bytes and self._unheeded_s is None:
            self._unheeded_s = now_s
        flows = self._flows(now_s, received_bytes)
        if received_bytes - self._heard_bytes > MESSAGE_BYTES_MAX:
            return f"the server sends a message of more than {MESSAGE_BYTES_MAX / 2**20:.0f} MB"
        owes = answers or not received_bytes
        since_s = self._heard_s if owes else self._unheeded_s
        patience_s = self._silence_s * (1 if owes else UNASKED_SILENCES)
        if since_s is None or now_s - since_s <= patience_s:
            return ""
        if flows and now_s - self._heard_s <= FRAME_S_MAX:
            return ""
        came = "silent" if self._unheeded_s is None else "sending no message that ends"
        return f"the server has been {came} for {now_s - self._heard_s:.0f} s"

    def _flows(self, now_s: float, received_bytes: int) -> bool:
        """Whether a frame may be coming down, by the bytes of the last `silence_s`."""
        self._flow.append((now_s, received_bytes))
        while len(self._flow) > 2 and now_s - self._flow[1][0] >= self._silence_s:
            self._flow.popleft()
        since_s, bytes_then = self._flow[0]
        return received_bytes - bytes_then > FRAME_BYTES_PER_S * (now_s - since_s)
