"""The check table: for each part how it shows in the figures, the check that costs nothing, and the usual remedy.

One table for the program and for docs/parts.md. All of it is common practice of the trade, not a published standard.
Parts stand in the order of what their checks cost.
"""

from __future__ import annotations

from dataclasses import dataclass

from strobe.drive.expected import BELT_MOTOR_ORDERS, BELT_ORDERS, IDLER_ORDERS, range_words

__all__ = ["MAINS_CAUTION", "PARTS", "PART_BY_KEY", "UNPLUG_CAUTION", "Part"]

UNPLUG_CAUTION = (
    "Unplug before you touch belt, pulley or motor. Dots that look still do not mean a platter that stands still."
)
MAINS_CAUTION = (
    "Behind the covers are mains parts; capacitors keep their charge. Opening, and any electrical work, is for a "
    "competent person, by the rules of your country."
)


@dataclass(frozen=True)
class Part:
    """One row of the table; `drives` are the drives that have the part, `caution` is empty where none is due."""

    key: str
    short: str
    name: str
    drives: tuple[str, ...]
    looks: str
    check: str
    remedy: str
    expect: str
    caution: str = ""


_ALL = ("belt", "idler", "direct")

PARTS: tuple[Part, ...] = (
    Part(
        "camera",
        "lamp or camera",
        "lamp or camera, not the machine",
        _ALL,
        "a rate of lamp against frames: it moves when the frame rate is changed, not when the speed is",
        "Film again at another frame rate, or with the room light off.",
        "Use one lamp only, a phone on a stand, the original file.",
        "a wobble of the machine stays where it is; one of the camera moves or goes",
    ),
    Part(
        "platter",
        "platter or its dots",
        "platter's seat, sub-platter off centre, or the dots off centre",
        _ALL,
        "exactly once a turn, little at twice; upright in the turn map; the same at every speed",
        "Lift the platter, wipe seat and spindle, put it back turned by 90 degrees, level the machine, film again. If "
        "the phase follows the platter, it is the platter or its dots: film from the opposite side (strobe ring).",
        "Seat and level the platter; clean burrs and old glue off the seat; true or change the sub-platter.",
        "the part once a turn falls, or turns by 90 degrees with the platter",
        UNPLUG_CAUTION,
    ),
    Part(
        "lobes",
        "running face",
        "running face (or ring of dots) out of round: oval, or with lobes",
        _ALL,
        "two, three or four times a turn, far stronger than the multiples beside it; upright in the turn map",
        "Belt or idler off, spin the platter by hand, film it slowing down (strobe coast): a tight spot there is the "
        "bearing. If there is none, wipe the running face, turn ring or mat with the dots by 90 degrees on the "
        "platter, film again: if the phase follows the dots, it is they.",
        "Clean dirt and old glue off the running face; true or change the sub-platter; print and seat the dots anew.",
        "the line falls with a true running face; one of the dots turns with them, or goes with others",
        UNPLUG_CAUTION,
    ),
    Part(
        "slip",
        "belt slip",
        "belt slips on pulley or platter",
        ("belt",),
        "mean speed low and wandering, sudden dips, a long run-up, a large sag under the stylus",
        "Clean belt, pulley and platter's running face with alcohol, let them dry, film again.",
        "Clean the path; then a new belt of the right length.",
        "the dips go, the run-up shortens, the sag under load falls",
        UNPLUG_CAUTION,
    ),
    Part(
        "belt",
        "belt",
        "belt: lump, splice, kink or uneven thickness",
        ("belt",),
        f"a little less often than once a turn ({range_words(BELT_ORDERS)}), often with multiples; slants slowly in "
        "the turn map",
        "Look the belt over by hand along its whole length, turn it inside out or put it on the other way round, film "
        "again.",
        "Clean belt and path; then a new belt of the right length and thickness.",
        "the size changes when the belt is turned over; with a new belt the line goes",
        UNPLUG_CAUTION,
    ),
    Part(
        "idler",
        "idler",
        "idler: flat, hardened or off centre",
        ("idler",),
        f"{range_words(IDLER_ORDERS)} times a turn, not quite a whole number, with multiples when it has a flat",
        "Feel round the idler's rubber for a flat, clean rubber, pulley and rim with alcohol, see that its pivot turns "
        "freely, film again.",
        "Clean and lightly dress the face; oil the pivot, not the face; then a new or reground idler. Park it off the "
        "pulley when the machine rests.",
        "the line falls after cleaning; with another idler its rate moves with the diameter",
        UNPLUG_CAUTION,
    ),
    Part(
        "bearing",
        "main bearing",
        "main bearing: tight spot, dirt or dry",
        _ALL,
        "once a turn with strong multiples, upright in the turn map; a dent at one angle",
        "Belt or idler off, spin the platter by hand, film it slowing down (strobe coast): a catch at one angle, or a "
        "short run, is the bearing.",
        "Clean shaft and bush; oil of the right type; no grease or solvent in a sintered bush; grease the thrust ball.",
        "the coast-down gets longer, the multiples of once a turn go",
        UNPLUG_CAUTION,
    ),
    Part(
        "swing",
        "platter on its belt",
        "platter swings on its belt: dry bearing, slack or slipping belt",
        ("belt",),
        "broad, mostly 1 to 4 Hz, the same rate in Hz at every speed; blotchy in the turn map",
        "Nudge the running platter's rim lightly with a clean finger and film: if it swings on at this rate, it is "
        "this. Then film it slowing down without the belt (strobe coast).",
        "Clean and oil the bearing; clean the belt's path; then a new belt.",
        "the hump falls, the swing after a nudge dies within a few cycles",
        UNPLUG_CAUTION,
    ),
    Part(
        "chassis",
        "sprung chassis",
        "platter on springs bounces",
        ("belt", "direct"),
        "broad, mostly 2 to 6 Hz, keeps its Hz at every speed; grows with footsteps",
        "Film once while nobody moves and once while somebody walks; count the bounces after a light push.",
        "Set the machine on a firm, level support; free and level the springs; take off what bridges them.",
        "the hump falls on a firm support",
    ),
    Part(
        "pulley",
        "motor pulley",
        "motor pulley or motor shaft: off centre, loose, bent",
        ("belt", "idler"),
        f"{range_words(BELT_MOTOR_ORDERS)} times a turn for belts, faster for idlers; slants in the turn map",
        "Watch the turning pulley's edge against a fixed point for run-out, without touching it; then, unplugged, see "
        "that belt or idler sits in the middle of its step and that the set-screw is tight.",
        "Clean the pulley; seat it at the right height; tighten the set-screw; new motor grommets; oil the motor's "
        "bearings with the right oil.",
        "the line falls, or its size changes when the pulley is turned on its shaft",
        UNPLUG_CAUTION,
    ),
    Part(
        "hum",
        "motor hum",
        "mains motor: hum at twice the mains",
        ("belt", "idler"),
        "at twice the mains, seen folded (100 Hz appears at 10 Hz in a clip of 30 a second)",
        "Feel the motor for buzz; look whether its rubber mounts are hard or a transit screw is still in.",
        "New motor grommets; take out transit screws.",
        "the line falls with soft mounts",
        UNPLUG_CAUTION + " " + MAINS_CAUTION,
    ),
    Part(
        "contacts",
        "worn contacts",
        "worn pitch control, speed switch or trimmer",
        ("belt", "direct"),
        "sudden jumps of the mean speed at no fixed rate, more when the control is touched",
        "Unplugged, work pitch control and speed switch through their whole travel twenty times, film again.",
        "Contact cleaner made for potentiometers; then new controls.",
        "the jumps go, or come more rarely",
        UNPLUG_CAUTION + " " + MAINS_CAUTION,
    ),
    Part(
        "poles",
        "motor's coils",
        "motor under the platter: one coil, magnet or position sensor",
        ("direct",),
        "a whole number of times a turn, the number of poles or pole pairs; upright in the turn map",
        "Film at 33 and 45: if it stays the same number of times a turn, it is motor, magnet or sensor.",
        "Clean contacts and connectors first; then the drive electronics, by a competent person.",
        "the line falls once all coils pull alike",
        MAINS_CAUTION,
    ),
    Part(
        "hunting",
        "speed control",
        "speed control hunts",
        ("belt", "direct"),
        "broad, mostly 0.3 to 3 Hz, not tied to the turn; swings on after a touch; shifts little between speeds",
        "Brake the rim lightly with a clean finger and let go while filming: if the speed swings on for several "
        "cycles, the control hunts. Let the machine warm up, and try it once more.",
        "Work the controls' contacts; oil the bearing; then the electronics (aged capacitors, trimmers), by a "
        "competent person.",
        "the swing after a touch dies within a cycle or two",
        MAINS_CAUTION,
    ),
)
"""The table, in the order of cost."""

PART_BY_KEY = {part.key: part for part in PARTS}
