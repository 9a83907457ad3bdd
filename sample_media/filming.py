"""Description of the phone: its camera, the hand that holds it, light to grey levels, and what is stored.

Pixel (0, 0) is the centre of the top-left pixel. The time of a frame is the middle of the exposure of its
middle row; with a readout time the other rows are exposed before and after it.
"""

from __future__ import annotations

from dataclasses import dataclass

ENCODERS = {"h264": "libx264", "hevc": "libx265"}


@dataclass(frozen=True, slots=True)
class Pan:
    """The hand swings the camera aside, stays, and comes back.

    Attributes
    ----------
    start_s : float
        When it starts to turn, s of clip time.
    right_deg, up_deg : float
        How far it turns to the right and up.
    there_s, hold_s, back_s : float
        Time of the way there, of the rest there, and of the way back, s.
    """

    start_s: float
    right_deg: float = 0.0
    up_deg: float = 0.0
    there_s: float = 0.35
    hold_s: float = 0.2
    back_s: float = 0.45


@dataclass(frozen=True, slots=True)
class Camera:
    """Phone camera and the way it is held.

    Attributes
    ----------
    size_wh : (int, int)
        Width and height of the stored picture, px.
    focal_px : float
        Focal length, px. A phone at 1080p has about 1450.
    offset_px : (float, float)
        Principal point minus picture centre ``((w - 1) / 2, (h - 1) / 2)``, px.
    k1, k2 : float
        Radial distortion, OpenCV's polynomial in the squared normalised radius.
    distance_mm : float
        From the camera's centre to ``target_mm``.
    azimuth_deg, elevation_deg : float
        Camera stands to the right of / above the target's normal by these angles.
    roll_deg : float
        Turn about the optical axis, counter-clockwise positive for the camera body.
    target_mm : (float, float, float)
        Point the camera looks at, world.
    shake_mm, shake_deg : float
        Size of the slow sway of a hand-held camera, below 1 Hz (one standard deviation of each coordinate
        and each turn); 0 on a tripod.
    tremor_mm, tremor_deg : float
        Size of the hand's tremor, 6 to 10 Hz (as above). An ordinary hand has about 0.2 mm and 0.04 degrees,
        a shaky one twice as much.
    seed : int
        Seed of both motions and of the breathing focus.
    pans : tuple of Pan
        Times when the hand swings the camera aside.
    breathing_share : float
        Autofocus at work: largest relative departure of the focal length, which wanders slowly.
    steadied_share : float
        Share of the hand's sway and tremor that the phone takes out of the picture by shifting and turning
        each frame as a whole after its rows were exposed; 0 for none. It is done as if the sensor were
        larger than the picture, so no border shows.
    """

    size_wh: tuple[int, int] = (1920, 1080)
    focal_px: float = 1450.0
    offset_px: tuple[float, float] = (4.3, -3.1)
    k1: float = 0.03
    k2: float = -0.012
    distance_mm: float = 600.0
    azimuth_deg: float = 8.0
    elevation_deg: float = 5.0
    roll_deg: float = 1.0
    target_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    shake_mm: float = 0.0
    shake_deg: float = 0.0
    tremor_mm: float = 0.0
    tremor_deg: float = 0.0
    seed: int = 1
    pans: tuple[Pan, ...] = ()
    breathing_share: float = 0.0
    steadied_share: float = 0.0


@dataclass(frozen=True, slots=True)
class Picture:
    """How light becomes grey levels.

    Attributes
    ----------
    exposure_s : float
        Exposure time of a frame, s.
    gain : float
        Brightness factor: 1 puts white paper in plain light at 0.8 of full scale (linear).
    light_gradient : (float, float)
        Relative rise of the light per metre to the right and upward.
    lamp_mm, lamp_radius_mm, lamp_strength
        Soft brighter spot on the panel: centre (world x, y), radius (mm), relative rise.
    glare_mm, glare_radius_mm, glare_strength
        Reflection that washes the picture out: centre (world x, y), radius (mm), linear light added.
    vignetting : float
        Relative loss of light at the picture's corners, 0 to 1.
    gamma : float
        Exponent of the encoding: grey = linear ** (1 / gamma).
    blur_px : float
        Standard deviation of the lens blur, px; 0 for none.
    noise_levels : float
        Standard deviation of the noise on the 8-bit scale.
    noise_grain_px : float
        Blur of the noise (phones smooth their noise), px; 0 for white noise.
    seed : int
        Seed of the noise.
    """

    exposure_s: float = 0.01
    gain: float = 1.0
    light_gradient: tuple[float, float] = (0.35, 0.45)
    lamp_mm: tuple[float, float] = (-160.0, 150.0)
    lamp_radius_mm: float = 220.0
    lamp_strength: float = 0.3
    glare_mm: tuple[float, float] = (0.0, 0.0)
    glare_radius_mm: float = 40.0
    glare_strength: float = 0.0
    vignetting: float = 0.18
    gamma: float = 2.2
    blur_px: float = 0.7
    noise_levels: float = 1.5
    noise_grain_px: float = 0.6
    seed: int = 7


@dataclass(frozen=True, slots=True)
class Film:
    """What is recorded, and how it is stored.

    Attributes
    ----------
    start_s : float
        Where in the motor's motion the clip starts, s; later than 0 cuts the first hold.
    duration_s : float or None
        Length; None for the whole motion.
    fps : float
        Frame rate, 1/s.
    jitter_s : float
        Standard deviation of the frame intervals' random part (variable frame rate), s.
    rotation_deg_clockwise : int
        Turn the player must apply, clockwise: 0, 90, 180 or 270. The stored picture is turned the other
        way; ``Camera.size_wh`` is the shown (upright) size.
    row_readout_s : float
        Rolling shutter: row r of H of the stored picture is exposed about ``(r / H - 1/2) * row_readout_s``
        after the frame's time. Negative if the last row comes first; 0 if all rows are exposed at once.
        Most phones that were measured take 15 to 33 ms (sources in the folder's README).
    readout_along : str
        ``"rows"``: the rows of the stored picture follow one another; ``"columns"``: its columns do, as in a
        film that a program has turned upright.
    codec : str
        ``"h264"`` or ``"hevc"``.
    bits : int
        8 or 10.
    bitrate : float or None
        Target, bit/s; None for constant quality ``crf``.
    crf : float
        Constant rate factor where no bit rate is given.
    preset : str
        Encoder preset.
    b_frames : int or None
        Most frames in a row that also refer to later ones; None for what the preset has. Phones write none.
    keyframe_gap : int or None
        Most frames from one whole picture to the next; None for what the preset has.
    seed : int
        Seed of the frame times.
    """

    start_s: float = 0.0
    duration_s: float | None = None
    fps: float = 30.0
    jitter_s: float = 0.0
    rotation_deg_clockwise: int = 0
    row_readout_s: float = 0.0
    readout_along: str = "rows"
    codec: str = "h264"
    bits: int = 8
    bitrate: float | None = None
    crf: float = 20.0
    preset: str = "veryfast"
    b_frames: int | None = None
    keyframe_gap: int | None = None
    seed: int = 3
