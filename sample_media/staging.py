"""Where every part stands at one moment: the list of layers, back to front."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_media.layers import INK, PAPER, Bar, Disc, Hand, Layer, Marker, Polygon, Rectangle, flat
from sample_media.mechanism import Mechanism, soft_ramp
from sample_media.optics import rotation_about
from sample_media.scene import ArmMarker, Card, Linkage, Occluder, RodMarker, Scene

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


def marker_layer(marker: ArmMarker, centre_mm: tuple[float, float], arm_rad: float) -> Layer:
    """Arm marker at a direction of the shaft's reference arm."""
    c, s = np.cos(arm_rad), np.sin(arm_rad)
    x = centre_mm[0] + marker.along_mm * c - marker.across_mm * s
    y = centre_mm[1] + marker.along_mm * s + marker.across_mm * c
    up = arm_rad + np.deg2rad(marker.mount_angle_deg)
    shape = Marker(marker.marker_id, marker.side_mm, ARM_MARGIN_MM * marker.side_mm / 30)
    return flat(shape, x, y, marker.height_mm, up - np.pi / 2)


def rod_pins(scene: Scene, linkage: Linkage, drive_arm_rad: float, driven_arm_rad: float) -> FloatArray:
    """World positions of a rod's two ball joints, (2, 3), mm, for given directions of both arms.

    The play is in the joints along the rod: with play the pins are up to half of it off the rod's length.
    """
    a, b = scene.shafts[linkage.driver].centre_mm, scene.shafts[linkage.driven].centre_mm
    ra, rb = linkage.drive_radius_mm, linkage.driven_radius_mm
    c, s = np.cos([drive_arm_rad, driven_arm_rad]), np.sin([drive_arm_rad, driven_arm_rad])
    return np.array(
        [
            [a[0] + ra * c[0], a[1] + ra * s[0], linkage.drive_pin_height_mm],
            [b[0] + rb * c[1], b[1] + rb * s[1], linkage.driven_pin_height_mm],
        ]
    )


def rod_length_mm(linkage: Linkage) -> float:
    """Length of a rod between its ball joints, out of the plane of motion included."""
    return float(np.hypot(linkage.rod_mm, linkage.driven_pin_height_mm - linkage.drive_pin_height_mm))


def rod_axes(pins_mm: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Unit vectors of a rod: along it, across it (parallel to z = 0), and up from its top side."""
    along = pins_mm[1] - pins_mm[0]
    along = along / np.linalg.norm(along)
    across = np.cross([0.0, 0.0, 1.0], along)
    across /= np.linalg.norm(across)
    return along, across, np.cross(along, across)


def rod_marker_layer(marker: RodMarker, length_mm: float, pins_mm: FloatArray) -> Layer:
    """Rod marker for given ball joints; it keeps its distance from the drive pin."""
    along, across, up = rod_axes(pins_mm)
    origin = pins_mm[0] + marker.along * length_mm * along + marker.height_mm * up
    mount = np.deg2rad(marker.mount_angle_deg)
    v = np.cos(mount) * along + np.sin(mount) * across
    shape = Marker(marker.marker_id, marker.side_mm, ARM_MARGIN_MM * marker.side_mm / 30)
    return Layer(shape, origin, np.cross(v, up), v)


def _rod_layers(linkage: Linkage, pins_mm: FloatArray) -> list[tuple[float, Layer]]:
    """Rod, its two ball-joint heads, and its marker, with heights for the depth order."""
    along, across, _ = rod_axes(pins_mm)
    length = float(np.linalg.norm(pins_mm[1] - pins_mm[0]))
    level = float(pins_mm[:, 2].mean())
    parts = [(level, Layer(Bar(length, 3.5, 0.38, 0.75), pins_mm[0], along, across, BRASS_TINT))]
    for start, turn in ((pins_mm[0], 1.0), (pins_mm[1], -1.0)):
        head = Layer(Bar(17.0, 6.5, DARK, 0.4), start, turn * along, turn * across)
        parts.append((level + 0.2, head))
    if linkage.rod_marker is not None:
        parts.append(
            (
                level + linkage.rod_marker.height_mm,
                rod_marker_layer(linkage.rod_marker, rod_length_mm(linkage), pins_mm),
            )
        )
    return parts


def _arm_layers(
    centre_mm: tuple[float, float], arm_rad: float, radius_mm: float, height_mm: float
) -> list[tuple[float, Layer]]:
    """Arm with its hub and the nut at the pin, heights for the depth order."""
    c, s = np.cos(arm_rad), np.sin(arm_rad)
    x, y = centre_mm
    arm = flat(Bar(radius_mm + 6.0, 9.5, STEEL, 0.15), x, y, height_mm - 0.5, arm_rad)
    slot = flat(
        Bar(radius_mm * 0.45, 2.6, DARK),
        x + 0.5 * radius_mm * c,
        y + 0.5 * radius_mm * s,
        height_mm - 0.4,
        arm_rad,
    )
    hub = flat(Disc(13.0, 0.2, 0.5), x, y, height_mm - 0.3)
    end = flat(Disc(7.0, 0.42, 0.4), x, y, height_mm - 0.2)
    nut = flat(Disc(6.5, 0.5, 0.7), x + radius_mm * c, y + radius_mm * s, height_mm - 0.1)
    return [(float(layer.origin_mm[2]), layer) for layer in (arm, slot, hub, end, nut)]


def _hand_layer(occluder: Occluder, time_s: float) -> tuple[float, Layer] | None:
    """The hand at one time, or None while it is out of the way."""
    before = np.array([time_s - occluder.start_s + occluder.approach_s])
    after = np.array([time_s - occluder.end_s])
    share = float(
        (soft_ramp(before, occluder.approach_s, 0.2) - soft_ramp(after, occluder.approach_s, 0.2))[0]
    )
    if share <= 0:
        return None
    direction = np.deg2rad(occluder.from_deg)
    away = 450.0 * occluder.size * (1 - share)
    x = occluder.rest_mm[0] + away * np.cos(direction)
    y = occluder.rest_mm[1] + away * np.sin(direction)
    hand = flat(Hand(occluder.size), x, y, occluder.height_mm, direction + np.pi, SKIN_TINT)
    return occluder.height_mm + 1000.0, hand


def layers_at(scene: Scene, mechanism: Mechanism, time_s: float) -> list[Layer]:
    """Every layer at one time, back to front.

    Parameters
    ----------
    scene : Scene
    mechanism : Mechanism
        Result of `mechanism.solve` for the same scene.
    time_s : float
        Clip time.

    Returns
    -------
    list of Layer
    """
    shaft_rad = Mechanism.at(mechanism.shaft_rad, mechanism.time_s, time_s)
    drive_rad = Mechanism.at(mechanism.drive_arm_rad, mechanism.time_s, time_s)
    driven_rad = Mechanism.at(mechanism.driven_arm_rad, mechanism.time_s, time_s)
    staged: list[tuple[float, Layer]] = []
    if scene.motor_box:
        x, y = scene.shafts[0].centre_mm
        staged.append((1.0, flat(Rectangle((92.0, 104.0), 0.11), x - 8, y - 22, 1.0, tint=HOUSING_TINT)))
        staged.append((1.1, flat(Rectangle((60.0, 20.0), 0.55), x - 8, y - 58, 1.1)))
        staged += [(1.2, flat(Rectangle((44.0, 2.0), 0.1), x - 8, y - 54 - 5 * i, 1.2)) for i in range(3)]
    for shaft in scene.shafts:
        x, y = shaft.centre_mm
        staged.append((2.0, flat(Disc(21.0, 0.13, 0.6), x, y, 2.0)))
        bolts = np.deg2rad([45, 135, 225, 315])
        staged += [
            (2.1, flat(Disc(3.0, 0.4, 0.6), x + 16 * np.cos(a), y + 16 * np.sin(a), 2.1)) for a in bolts
        ]
    for number, linkage in enumerate(scene.linkages):
        pins = rod_pins(scene, linkage, drive_rad[number], driven_rad[number])
        staged += _rod_layers(linkage, pins)
        drive_centre = scene.shafts[linkage.driver].centre_mm
        driven_centre = scene.shafts[linkage.driven].centre_mm
        staged += _arm_layers(
            drive_centre, drive_rad[number], linkage.drive_radius_mm, linkage.drive_arm_height_mm
        )
        staged += _arm_layers(
            driven_centre, driven_rad[number], linkage.driven_radius_mm, linkage.driven_arm_height_mm
        )
    for shaft, angle in zip(scene.shafts, shaft_rad, strict=True):
        staged += [(m.height_mm, marker_layer(m, shaft.centre_mm, angle)) for m in shaft.markers]
    hands = [_hand_layer(occluder, time_s) for occluder in scene.occluders]
    staged += [hand for hand in hands if hand is not None]
    staged.sort(key=lambda item: item[0])
    card = card_layers(scene.card) if scene.card is not None else []
    return card + [layer for _, layer in staged]


def marker_layers(layers: list[Layer]) -> dict[int, Layer]:
    """The markers among layers by id (of repeated ids the front one)."""
    return {layer.shape.marker_id: layer for layer in layers if isinstance(layer.shape, Marker)}
