"""Description of a scene: card, shafts, linkages, motion; how it is filmed stands in `filming`.

World: x right, y up, z toward the camera, millimetres; the card lies near z = 0. Angles are degrees,
counter-clockwise positive as the camera sees them (seen from where the axis points, if a shaft is tilted).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from sample_media.filming import Camera, Film, Picture

LOW_FIRE = 0.0


@dataclass(frozen=True, slots=True)
class Card:
    """Reference card: marker ids 0 to 3, 40 mm, on a 140 x 90 mm rectangle.

    Attributes
    ----------
    centre_mm : (float, float, float)
        World position of the rectangle's centre.
    turn_deg : float
        Turn in its own plane.
    tilt_deg, tilt_axis_deg : float
        Tilt out of z = const about an axis in the plane at this angle from world x.
    missing_ids : tuple of int
        Markers torn off.
    """

    centre_mm: tuple[float, float, float] = (0.0, -105.0, 0.0)
    turn_deg: float = 0.0
    tilt_deg: float = 0.0
    tilt_axis_deg: float = 90.0
    missing_ids: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ArmMarker:
    """Marker that turns with a shaft or with one arm on it.

    Attributes
    ----------
    marker_id : int
        Id in ``DICT_4X4_50``.
    side_mm : float
        Side of the black square.
    height_mm : float
        Height of its plane above z = 0, along the shaft's axis.
    along_mm, across_mm : float
        Centre along the arm from the shaft's centre, and to the left of it.
    mount_angle_deg : float
        Angle of the marker's up side from the direction of the arm.
    arm : (int, str) or None
        The arm it is stuck on: number of the linkage, and ``"drive"`` or ``"driven"``. It goes with that arm
        if the arm slips. None: it is stuck to the shaft and counts from the shaft's reference arm.
    """

    marker_id: int
    side_mm: float = 30.0
    height_mm: float = 30.0
    along_mm: float = 28.0
    across_mm: float = 0.0
    mount_angle_deg: float = 0.0
    arm: tuple[int, str] | None = None


@dataclass(frozen=True, slots=True)
class Shaft:
    """A shaft turning about world z, or about an axis tilted from it.

    The reference arm of the motor (shaft 0) is the drive arm of its first linkage; that of every other
    shaft is the driven arm of the linkage that turns it.

    Attributes
    ----------
    centre_mm : (float, float)
        World x, y of the axis where it passes z = 0.
    markers : tuple of ArmMarker
        Markers that turn with it; the first is the main one.
    tilt_deg, tilt_axis_deg : float
        Tilt of its axis from world z, about an axis in z = 0 at this angle from world x. Heights of its arms,
        pins and markers count along the tilted axis from z = 0, and directions of its arms from the
        world's x axis tilted along.
    """

    centre_mm: tuple[float, float]
    markers: tuple[ArmMarker, ...]
    tilt_deg: float = 0.0
    tilt_axis_deg: float = 90.0


@dataclass(frozen=True, slots=True)
class RodMarker:
    """Marker on a rod.

    Attributes
    ----------
    marker_id : int
        Id in ``DICT_4X4_50``.
    side_mm : float
        Side of the black square.
    along : float
        Centre along the rod, share of its length from the drive pin.
    height_mm : float
        Height above the rod's axis.
    mount_angle_deg : float
        Angle of the marker's up side from the direction drive pin to driven pin.
    """

    marker_id: int
    side_mm: float = 30.0
    along: float = 0.5
    height_mm: float = 5.2
    mount_angle_deg: float = 90.0


@dataclass(frozen=True, slots=True)
class Linkage:
    """One four-bar: drive arm, rod, driven arm; the spacing follows from the shafts' centres.

    Attributes
    ----------
    driver, driven : int
        Numbers of the shafts. Linkages are listed in the order in which motion passes through them.
    drive_radius_mm, driven_radius_mm : float
        Shaft centre to rod pin.
    rod_mm : float
        Rod length in the plane of motion, pin to pin; the whole length, ball to ball, if one of the shafts
        is tilted.
    drive_start_deg : float
        Direction of the drive arm from the line of centres at low fire.
    branch : int
        Sign of the turn from the line driven centre -> drive pin to the driven arm.
    lost_motion_deg : float
        Play between rod and driven arm, degrees at the driven shaft, full width, half to either side of the
        position that ``rod_mm`` closes. The low-fire hold rests on the closing side of the play, so the
        driven arm then stands half of it open of that position.
    drive_pin_height_mm, driven_pin_height_mm : float
        Heights of the ball joints above z = 0, along their shafts' axes.
    drive_arm_height_mm, driven_arm_height_mm : float
        Heights of the arms' front faces, likewise.
    rod_marker : RodMarker or None
        Marker on the rod.
    """

    driver: int
    driven: int
    drive_radius_mm: float
    driven_radius_mm: float
    rod_mm: float
    drive_start_deg: float
    branch: int = -1
    lost_motion_deg: float = 0.0
    drive_pin_height_mm: float = 14.0
    driven_pin_height_mm: float = 14.0
    drive_arm_height_mm: float = 29.0
    driven_arm_height_mm: float = 29.0
    rod_marker: RodMarker | None = None


@dataclass(frozen=True, slots=True)
class Slip:
    """An arm that slips on its shaft.

    Attributes
    ----------
    linkage : int
        Number of the linkage.
    end : str
        ``"drive"`` (the drive arm turns ahead of its shaft by the angle) or ``"driven"`` (the driven
        shaft turns ahead of its arm by the angle). Markers stay with the shaft unless they are stuck on
        that arm.
    time_s, duration_s : float
        Start and length of the slip, s of clip time.
    angle_deg : float
        Angle slipped.
    """

    linkage: int
    end: str
    time_s: float
    angle_deg: float
    duration_s: float = 0.1


@dataclass(frozen=True, slots=True)
class Move:
    """One leg of the motor's motion: go to an angle, then hold.

    Attributes
    ----------
    to_deg : float
        Motor travel from low fire at the end.
    duration_s : float
        Length of the move, soft start and stop included.
    hold_s : float
        Rest after it.
    soft_s : float
        Time of the even speed-up at the start and slow-down at the end.
    """

    to_deg: float
    duration_s: float
    hold_s: float
    soft_s: float = 0.3


@dataclass(frozen=True, slots=True)
class Occluder:
    """A hand that comes into the picture, rests in front of something, and leaves.

    Attributes
    ----------
    start_s, end_s : float
        It rests from start to end, s of clip time; coming and going take ``approach_s`` before and after.
    rest_mm : (float, float)
        World x, y of the fingertips at rest.
    from_deg : float
        Direction the hand comes from.
    height_mm : float
        Height above z = 0.
    approach_s : float
        Time to come in and to leave, s.
    size : float
        Scale of the hand; 1 is about 85 mm across the palm.
    """

    start_s: float
    end_s: float
    rest_mm: tuple[float, float]
    from_deg: float = -60.0
    height_mm: float = 60.0
    approach_s: float = 0.6
    size: float = 0.8


@dataclass(frozen=True, slots=True)
class Label:
    """A word painted on the panel.

    Attributes
    ----------
    text : str
    x_mm, y_mm : float
        World position of its lower left corner.
    height_mm : float
        Height of a capital.
    """

    text: str
    x_mm: float
    y_mm: float
    height_mm: float = 11.0


@dataclass(frozen=True, slots=True)
class Scene:
    """A whole film: see the parts for units.

    Attributes
    ----------
    name : str
        Name used in the truth file.
    moves : tuple of Move
        Motion of the motor after ``first_hold_s``.
    motor_box : bool
        Draw the motor's housing behind shaft 0.
    panel_seed : int
        Seed of the panel's picture (labels, rivets, scratches).
    labels : tuple of Label
        Words on the panel; invented.
    """

    name: str
    camera: Camera
    shafts: tuple[Shaft, ...]
    linkages: tuple[Linkage, ...]
    moves: tuple[Move, ...]
    first_hold_s: float = 1.0
    card: Card | None = field(default_factory=Card)
    picture: Picture = field(default_factory=Picture)
    film: Film = field(default_factory=Film)
    slips: tuple[Slip, ...] = ()
    occluders: tuple[Occluder, ...] = ()
    motor_box: bool = True
    panel_seed: int = 11
    labels: tuple[Label, ...] = (
        Label("LOW", -225.0, -30.0),
        Label("HIGH", 205.0, 135.0),
        Label("DRIVE A", -215.0, 168.0),
        Label("AIR", -40.0, -12.0),
        Label("LINE 2", 150.0, -95.0),
    )


def strokes(
    travel_deg: float = 90.0,
    move_s: float = 4.0,
    high_hold_s: float = 1.5,
    low_hold_s: float = 1.5,
    cycles: int = 1,
    soft_s: float = 0.3,
) -> tuple[Move, ...]:
    """Full strokes of the motor: open, hold, close, hold, repeated.

    Parameters
    ----------
    travel_deg : float
        Motor travel, degrees; negative opens clockwise.
    move_s, high_hold_s, low_hold_s, soft_s : float
        Times of each pass, of the holds at high and low fire, and of the soft start and stop, s.
    cycles : int
        Number of strokes.

    Returns
    -------
    tuple of Move
    """
    stroke = (Move(travel_deg, move_s, high_hold_s, soft_s), Move(LOW_FIRE, move_s, low_hold_s, soft_s))
    return stroke * cycles
