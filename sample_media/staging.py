"""Where every part stands at one moment or at many: the list of layers, back to front."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_media.layers import INK, PAPER, Bar, Disc, Hand, Layer, Marker, Polygon, Rectangle, Shape
from sample_media.mechanism import Mechanism, soft_ramp
from sample_media.scene import ArmMarker, Card, Linkage, Occluder, RodMarker, Scene, Shaft
from sample_media.space import ball_joint, is_spatial, on_shaft, rotation_about, shaft_axes

FloatArray = NDArray[np.float64]

CARD_SIDE_MM = 40.0
CARD_HALF_MM = (70.0, 45.0)  # half of the rectangle of the card markers' centres
CARD_PAPER_MM = (202.0, 150.0)
ARM_MARGIN_MM = 4.5  # white paper around a 30 mm marker; scales with the marker
STEEL = 0.30
DARK = 0.09
SKIN_TINT = (-14.0, 26.0)
BRASS_TINT = (-22.0, 8.0)
HOUSING_TINT = (10.0, -10.0)


def card_axes(card: Card) -> FloatArray:
    """Rotation of the card, columns = its x, y and normal in the world, (3, 3)."""
    axis = np.deg2rad(card.tilt_axis_deg)
    tilt = rotation_about((np.cos(axis), np.sin(axis), 0.0), np.deg2rad(card.tilt_deg))
    return tilt @ rotation_about((0, 0, 1), np.deg2rad(card.turn_deg))


def card_layers(card: Card) -> list[Layer]:
    """Paper, markers, check ruler; a torn corner where a marker is missing."""
    R = card_axes(card)

    def on_card(shape: Rectangle | Marker | Polygon, x: float, y: float) -> Layer:
        origin = np.asarray(card.centre_mm, float) + R[:, 0] * x + R[:, 1] * y
        return Layer(shape, origin, R[:, 0], R[:, 1])

    layers = [on_card(Rectangle(CARD_PAPER_MM, PAPER), 0.0, 0.0)]
    for tick in range(6):
        height = 8.0 if tick in (0, 5) else 5.0
        layers.append(on_card(Rectangle((0.6, height), INK), -25.0 + 10 * tick, -69.0 + height / 2))
    layers.append(on_card(Rectangle((50.0, 0.6), INK), 0.0, -69.0))
    for number, (sx, sy) in enumerate([(-1, 1), (1, 1), (1, -1), (-1, -1)]):
        x, y = sx * CARD_HALF_MM[0], sy * CARD_HALF_MM[1]
        if number in card.missing_ids:
            layers.append(on_card(_torn_corner(sx, sy), 0.0, 0.0))
        else:
            layers.append(on_card(Marker(number, CARD_SIDE_MM), x, y))
    return layers


def _torn_corner(sx: int, sy: int) -> Polygon:
    """Patch in the panel's grey over a torn-off corner of the card."""
    w, h = CARD_PAPER_MM[0] / 2 + 1, CARD_PAPER_MM[1] / 2 + 1
    corners = [(w, h), (w - 78.0, h), (w - 60.0, h - 52.0), (w, h - 61.0)]
    ordered = [(sx * x, sy * y) for x, y in corners]
    return Polygon(tuple(ordered if sx * sy > 0 else ordered[::-1]), 0.16)


WORLD = np.eye(3)


def flat(
    shape: Shape,
    origin_mm: FloatArray,
    turn_rad: float | FloatArray = 0.0,
    axes: FloatArray = WORLD,
    tint: tuple[float, float] = (0, 0),
) -> Layer:
    """Layer turned counter-clockwise in the plane of the first two axes.

    Parameters
    ----------
    shape : Shape
    origin_mm : (..., 3) array
        World.
    turn_rad : float or (...) array
        Turn of the shape's u axis from the first axis.
    axes : (3, 3) array
        Directions as columns; a shaft's own, or the world's.
    tint : (float, float)
        See `Layer`.

    Returns
    -------
    Layer
    """
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    u = np.multiply.outer(c, axes[:, 0]) + np.multiply.outer(s, axes[:, 1])
    v = np.multiply.outer(c, axes[:, 1]) - np.multiply.outer(s, axes[:, 0])
    return Layer(shape, origin_mm, u, v, tint)


def marker_layer(marker: ArmMarker, shaft: Shaft, arm_rad: float | FloatArray) -> Layer:
    """Arm marker at directions (...) of its arm."""
    c, s = np.cos(arm_rad), np.sin(arm_rad)
    along = marker.along_mm * c - marker.across_mm * s
    across = marker.along_mm * s + marker.across_mm * c
    up = arm_rad + np.deg2rad(marker.mount_angle_deg)
    shape = Marker(marker.marker_id, marker.side_mm, ARM_MARGIN_MM * marker.side_mm / 30)
    return flat(shape, on_shaft(shaft, along, across, marker.height_mm), up - np.pi / 2, shaft_axes(shaft))


def rod_pins(
    scene: Scene, linkage: Linkage, drive_arm_rad: float | FloatArray, driven_arm_rad: float | FloatArray
) -> FloatArray:
    """World positions of a rod's two ball joints, (..., 2, 3), mm, for directions (...) of both arms.

    The play is in the joints along the rod: with play the pins are up to half of it off the rod's length.
    """
    driver, driven = scene.shafts[linkage.driver], scene.shafts[linkage.driven]
    start = ball_joint(driver, linkage.drive_radius_mm, drive_arm_rad, linkage.drive_pin_height_mm)
    end = ball_joint(driven, linkage.driven_radius_mm, driven_arm_rad, linkage.driven_pin_height_mm)
    return np.stack([start, end], axis=-2)


def rod_length_mm(scene: Scene, linkage: Linkage) -> float:
    """Length of a rod between its ball joints, out of the plane of motion included."""
    if is_spatial(scene, linkage):
        return linkage.rod_mm
    return float(np.hypot(linkage.rod_mm, linkage.driven_pin_height_mm - linkage.drive_pin_height_mm))


def rod_axes(pins_mm: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Unit vectors (..., 3) of a rod: along it, across it (parallel to z = 0), and up from its top side."""
    along = pins_mm[..., 1, :] - pins_mm[..., 0, :]
    along = along / np.linalg.norm(along, axis=-1, keepdims=True)
    across = np.cross([0.0, 0.0, 1.0], along)
    across /= np.linalg.norm(across, axis=-1, keepdims=True)
    return along, across, np.cross(along, across)


def rod_marker_layer(marker: RodMarker, length_mm: float, pins_mm: FloatArray) -> Layer:
    """Rod marker for given ball joints; it keeps its distance from the drive pin."""
    along, across, up = rod_axes(pins_mm)
    origin = pins_mm[..., 0, :] + marker.along * length_mm * along + marker.height_mm * up
    mount = np.deg2rad(marker.mount_angle_deg)
    v = np.cos(mount) * along + np.sin(mount) * across
    shape = Marker(marker.marker_id, marker.side_mm, ARM_MARGIN_MM * marker.side_mm / 30)
    return Layer(shape, origin, np.cross(v, up), v)


def _rod_layers(linkage: Linkage, length_mm: float, pins_mm: FloatArray) -> list[tuple[float, Layer]]:
    """Rod, its two ball-joint heads, and its marker, with heights for the depth order."""
    along, across, _ = rod_axes(pins_mm)
    start, end = pins_mm[..., 0, :], pins_mm[..., 1, :]
    level = float(pins_mm[..., 2].mean())
    parts = [(level, Layer(Bar(length_mm, 3.5, 0.38, 0.75), start, along, across, BRASS_TINT))]
    for pin, turn in ((start, 1.0), (end, -1.0)):
        parts.append((level + 0.2, Layer(Bar(17.0, 6.5, DARK, 0.4), pin, turn * along, turn * across)))
    if linkage.rod_marker is not None:
        marker = rod_marker_layer(linkage.rod_marker, length_mm, pins_mm)
        parts.append((level + linkage.rod_marker.height_mm, marker))
    return parts


def _arm_layers(
    shaft: Shaft, arm_rad: float | FloatArray, radius_mm: float, height_mm: float
) -> list[tuple[float, Layer]]:
    """Arm with its hub and the nut at the pin, heights for the depth order."""
    c, s = np.cos(arm_rad), np.sin(arm_rad)

    def part(shape: Shape, out_mm: float, behind_mm: float) -> tuple[float, Layer]:
        height = height_mm - behind_mm
        origin = on_shaft(shaft, out_mm * c, out_mm * s, height)
        return height, flat(shape, origin, arm_rad, shaft_axes(shaft))

    nut = on_shaft(shaft, radius_mm * c, radius_mm * s, height_mm - 0.1)
    return [
        part(Bar(radius_mm + 6.0, 9.5, STEEL, 0.15), 0.0, 0.5),
        part(Bar(radius_mm * 0.45, 2.6, DARK), 0.5 * radius_mm, 0.4),
        _round(shaft, Disc(13.0, 0.2, 0.5), height_mm - 0.3),
        _round(shaft, Disc(7.0, 0.42, 0.4), height_mm - 0.2),
        (height_mm - 0.1, flat(Disc(6.5, 0.5, 0.7), nut, 0.0, shaft_axes(shaft))),
    ]


def _round(shaft: Shaft, disc: Disc, height_mm: float) -> tuple[float, Layer]:
    """Disc about a shaft's axis."""
    return height_mm, flat(disc, on_shaft(shaft, 0.0, 0.0, height_mm), 0.0, shaft_axes(shaft))


def _motor_box(shaft: Shaft) -> list[tuple[float, Layer]]:
    """Housing behind the motor's shaft."""
    x, y = shaft.centre_mm
    box = flat(Rectangle((92.0, 104.0), 0.11), np.array([x - 8, y - 22, 1.0]), tint=HOUSING_TINT)
    plate = flat(Rectangle((60.0, 20.0), 0.55), np.array([x - 8, y - 58, 1.1]))
    lines = [flat(Rectangle((44.0, 2.0), 0.1), np.array([x - 8, y - 54 - 5 * i, 1.2])) for i in range(3)]
    return [(1.0, box), (1.1, plate), *((1.2, line) for line in lines)]


def _bearing(shaft: Shaft) -> list[tuple[float, Layer]]:
    """Flange about a shaft with its four bolts."""
    bolts = 16.0 * np.array([(1, 1), (-1, 1), (-1, -1), (1, -1)]) / np.sqrt(2)
    return [
        _round(shaft, Disc(21.0, 0.13, 0.6), 2.0),
        *(
            (2.1, flat(Disc(3.0, 0.4, 0.6), on_shaft(shaft, u, v, 2.1), 0.0, shaft_axes(shaft)))
            for u, v in bolts
        ),
    ]


def _hand_layer(occluder: Occluder, time_s: FloatArray) -> tuple[float, Layer] | None:
    """The hand at the given times (...), or None while it is out of the way."""
    share = soft_ramp(time_s - occluder.start_s + occluder.approach_s, occluder.approach_s, 0.2)
    share = share - soft_ramp(time_s - occluder.end_s, occluder.approach_s, 0.2)
    if not np.any(share > 0):
        return None
    direction = np.deg2rad(occluder.from_deg)
    away = 450.0 * occluder.size * (1 - share)
    towards = np.array([np.cos(direction), np.sin(direction), 0.0])
    origin = np.array([*occluder.rest_mm, occluder.height_mm]) + np.multiply.outer(away, towards)
    return occluder.height_mm + 1000.0, flat(Hand(occluder.size), origin, direction + np.pi, tint=SKIN_TINT)


def arm_directions(mechanism: Mechanism, arm: tuple[int, str]) -> FloatArray:
    """Direction (N,) of an arm, given by its linkage and end, on the mechanism's time grid, rad.

    Raises
    ------
    ValueError
        If the end is neither ``"drive"`` nor ``"driven"``.
    """
    linkage, end = arm
    if end not in ("drive", "driven"):
        raise ValueError(f"an arm is the 'drive' or the 'driven' end of its linkage, not {end!r}")
    return (mechanism.drive_arm_rad if end == "drive" else mechanism.driven_arm_rad)[linkage]


def layers_at(scene: Scene, mechanism: Mechanism, time_s: float | FloatArray) -> list[Layer]:
    """Every layer at the given times, back to front.

    Parameters
    ----------
    scene : Scene
    mechanism : Mechanism
        Result of `mechanism.solve` for the same scene.
    time_s : float or (...) array
        Clip time.

    Returns
    -------
    list of Layer
        What stands still has no times.
    """
    time = np.asarray(time_s, float)
    shaft_rad = Mechanism.at(mechanism.shaft_rad, mechanism.time_s, time)
    drive_rad = Mechanism.at(mechanism.drive_arm_rad, mechanism.time_s, time)
    driven_rad = Mechanism.at(mechanism.driven_arm_rad, mechanism.time_s, time)
    staged = _motor_box(scene.shafts[0]) if scene.motor_box else []
    for shaft in scene.shafts:
        staged += _bearing(shaft)
    for number, link in enumerate(scene.linkages):
        drive, driven = drive_rad[number], driven_rad[number]
        staged += _rod_layers(link, rod_length_mm(scene, link), rod_pins(scene, link, drive, driven))
        driver_shaft, driven_shaft = scene.shafts[link.driver], scene.shafts[link.driven]
        staged += _arm_layers(driver_shaft, drive, link.drive_radius_mm, link.drive_arm_height_mm)
        staged += _arm_layers(driven_shaft, driven, link.driven_radius_mm, link.driven_arm_height_mm)
    for shaft, own in zip(scene.shafts, shaft_rad, strict=True):
        for marker in shaft.markers:
            arm = own
            if marker.arm is not None:
                arm = Mechanism.at(arm_directions(mechanism, marker.arm)[None], mechanism.time_s, time)[0]
            staged.append((marker.height_mm, marker_layer(marker, shaft, arm)))
    hands = [_hand_layer(occluder, time) for occluder in scene.occluders]
    staged += [hand for hand in hands if hand is not None]
    staged.sort(key=lambda item: item[0])
    card = card_layers(scene.card) if scene.card is not None else []
    return card + [layer for _, layer in staged]


def marker_layers(layers: list[Layer]) -> dict[int, Layer]:
    """The markers among layers by id (of repeated ids the front one)."""
    return {layer.shape.marker_id: layer for layer in layers if isinstance(layer.shape, Marker)}
