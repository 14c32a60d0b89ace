"""What may be put on the bus: whole frames compared, at the last line before it.

Strategy: a frame passes if all of it (identifier, every one of its eight bytes) is a request that `wire/allow` lets
through, to an identifier of ISO 15765-4, or the one flow control we use, to one control unit.  Anything else raises,
and nothing is sent.
"""

from __future__ import annotations

from typing import Final

from livemon.errors import ForbiddenRequestError
from livemon.wire import allow, frames, isotp
from livemon.wire.frames import Frame

FLOW_CONTROL: Final = isotp.flow_control()


def is_allowed_frame(frame: Frame) -> bool:
    """True if `frame` reads and nothing else."""
    if frame.fault is not None or not frames.is_request_id(frame.can_id, frame.extended):
        return False
    if frame.data == FLOW_CONTROL:
        return not frames.is_functional_id(frame.can_id, frame.extended)
    pdu = isotp.parse(frame.data)
    return isinstance(pdu, isotp.Single) and frame.data == isotp.single(pdu.data) and allow.is_allowed_payload(pdu.data)


def checked_frame(frame: Frame) -> Frame:
    """`frame` itself if it may be sent; raises ForbiddenRequestError, and nothing is sent."""
    if not is_allowed_frame(frame):
        raise ForbiddenRequestError(
            f"bus: expected a request of services 01 03 07 09 0A or a flow control, found "
            f"{frame.can_id:X}#{frame.data.hex().upper()}; nothing was sent"
        )
    return frame
