"""The answer about parking in sentences: where, why, what the others cost, what else there is, how sure it is."""

from __future__ import annotations

import math

from trafficplan.decide.park import Weighed
from trafficplan.decide.park_answer import ParkAnswer
from trafficplan.decide.park_job import ParkJob
from trafficplan.decide.park_others import Other
from trafficplan.decide.park_place import Candidate, gross_kg
from trafficplan.decide.park_stands import BOARD_M, Standing
from trafficplan.machines.tyre_table import table_of
from trafficplan.names import Note
from trafficplan.report.words import count, say, say_chance
from trafficplan.routes.parking_limits import Limit
from trafficplan.soil.moisture import moisture_word
from trafficplan.units import FOOT, GRAVITY, INCH, KPA, pressure_text

#: Differences below these are not told: minutes, square metres, passes at the place.
LEAST_MIN, LEAST_M2 = 1.0, 5.0
#: Share of all minutes from which the waiting is told.
LONG_WAIT = 0.2
#: How long a stay lets rain come [s].
LONG_STAY_S = 12 * 3600.0


def capital(text: str) -> str:
    """Return a text with its first letter as a capital; the name of a file stays as it is."""
    return text if "/" in text.split(" ")[0] else text[:1].upper() + text[1:]


def note_words(note: Note) -> str:
    """Return what is warned of as a sentence."""
    return f"{capital(note.what)}: {note.value}, {note.why}"


def warned_words(one: Weighed) -> str:
    """Return in short what is warned of at a place that is offered, "" where nothing is."""
    told = [f"{note.what.split(' at place ')[0]}: {note.value}" for note in one.warnings]
    return f" Warned of there: {'; '.join(told)}." if told else ""


def answer_lines(answer: ParkAnswer) -> list[str]:
    """Return the answer line by line: where, what it draws, the next best, uncoupling, getting away after rain."""
    best = answer.best
    if best is None:
        return _nowhere(answer)
    without = without_lines(answer)
    where = f"{best.candidate.words} (place {best.candidate.number})."
    if answer.job.heap is not None:  # it is asked for the days of spreading, not for the minutes of all
        lines = [capital(where), draws(answer.job, best), *without]
    else:
        lines = [*without, f"If it has to stand: {where}" if without else capital(where), draws(answer.job, best)]
    for other in next_best(answer):
        lines.append(
            f"Instead {other.candidate.words} (place {other.candidate.number}): {against(answer.job, other, best)}."
            f"{warned_words(other)}"
        )
    return [*lines, waiting_line(answer), coupling_line(answer), away_line(answer)]


def next_best(answer: ParkAnswer) -> list[Weighed]:
    """Return the second in rank, and the best on the other ground (on the field or outside), where there are such."""
    best = answer.places[0].candidate.spot
    other = [one for one in answer.places[2:] if one.candidate.spot.on_field != best.on_field][:1]
    return [*answer.places[1:2], *other]


def _nowhere(answer: ParkAnswer) -> list[str]:
    near = answer.nearest
    lines = ["No place that was looked at keeps all limits."]
    if near is not None:
        lines.append(f"The nearest miss: {near.words} (place {near.number}): {refusal(near, answer.job.farm.units)}.")
        lines += _lighter(answer, near)
    return lines


def _lighter(answer: ParkAnswer, near: Candidate) -> list[str]:
    """Return with which load the nearest miss would do, where only the trailer's mass is too much."""
    job = answer.job
    if near.trip is None or any(one.unit != "kg" or not one.what.startswith("mass ") for one in near.failed):
        return []
    room = min(one.needed for one in near.failed) - (gross_kg(job) - job.trailer_kg)
    return (
        [f"With {load_words(room, job.farm.units)} on the trailer it would do."] if room > 0.3 * job.trailer_kg else []
    )


def refusal(one: Candidate, units: str) -> str:
    """Return why a place is refused: the limit that is missed the most, and how many more."""
    if one.trip is None:
        return one.problem.rstrip(".")
    first, *more = one.failed
    rest = f", and {count(len(more), 'limit')} more" if more else ""
    return f"{limit_words(first, units)}{rest}"


def limit_words(limit: Limit, units: str) -> str:
    """Return a limit with what was found and by how much it misses."""

    def told(value: float) -> str:
        if limit.unit == "m":
            return short_length(value, units)
        if limit.unit == "m2":
            return say("patch", value, units)
        if limit.unit == "kg":
            return say("mass", value, units)
        return count(round(value), "turn") if limit.unit == "turns" else f"{value:.1f} {limit.unit}"

    bound = "at most" if limit.at_most else "at least"
    return f"{limit.what} {told(limit.found)}, {bound} {told(limit.needed)}: misses by {told(max(limit.miss, 0.0))}"


def short_length(metres: float, units: str) -> str:
    """Return a length as a tape shows it: small ones are not rounded to nothing.

    Examples
    --------
    >>> short_length(12.34, "metric"), short_length(0.034, "metric"), short_length(0.0, "metric")
    ('12.3 m', '3 cm', '0 m')
    >>> short_length(0.034, "us"), short_length(2.0, "us"), short_length(30.0, "us"), short_length(0.001, "metric")
    ('1.3 in', '6.6 ft', '98 ft', 'under 1 cm')
    """
    if metres <= 0:
        return "0 ft" if units == "us" else "0 m"
    if units == "us":
        if metres < FOOT:
            return f"{metres / INCH:.1f} in" if metres >= 0.1 * INCH else "under 0.1 in"
        return f"{metres / FOOT:.1f} ft" if metres < 10.0 else f"{metres / FOOT:,.0f} ft"
    if metres < 0.095:
        return f"{100 * metres:.0f} cm" if metres >= 0.005 else "under 1 cm"
    return f"{metres:,.1f} m"


def draws(job: ParkJob, one: Weighed) -> str:
    """Return what a place draws to it."""
    units = job.farm.units
    word = "unloadings" if job.fills else "refills"
    loads = count(one.trailer_trips, "trailer load")
    if not one.candidate.spot.on_field:
        gate = f"{one.trips} {word} over the gateway"
        return f"No {job.thing} on the field; {gate}, {loads}, {say('distance', one.km, units)} of driving in all."
    return (
        f"{one.trips} {word} and {loads} cross it {one.visits} times; their ways cover "
        f"{say('patch', one.crossed_m2, units)} of the field, each part {one.crossings:.1f} times on average, "
        f"{say('haul', one.drawn_t_km, units)}."
    )


def signed_minutes(minutes: float) -> str:
    """Return minutes as a difference, no sign where there is none.

    Examples
    --------
    >>> signed_minutes(-0.3), signed_minutes(16.2), signed_minutes(-16.2)
    ('0', '+16', '\N{MINUS SIGN}16')
    """
    whole = round(minutes)
    return "0" if whole == 0 else f"+{whole}" if whole > 0 else f"\N{MINUS SIGN}{-whole}"


def against(job: ParkJob, one: Weighed, best: Weighed) -> str:
    """Return what a place costs against the best one, in words."""
    units = job.farm.units
    parts = _more(one.minutes - best.minutes, one.lasting_m2 - best.lasting_m2, units)
    here, there = one.candidate.spot, best.candidate.spot
    if here.on_field and not there.on_field:
        parts.append(f"the {job.thing} on the field, its ground crossed {one.visits} times")
    if there.on_field and not here.on_field:
        parts.append(f"no {job.thing} on the field")
        if job.fills:
            parts.append("it can leave after rain" if job.heap is None else "it can be fetched after rain")
    return ", ".join(parts) if parts else "no difference that counts"


def _more(minutes: float, ground: float, units: str) -> list[str]:
    parts = []
    if abs(minutes) >= LEAST_MIN:
        parts.append(f"{count(round(abs(minutes)), 'minute')} {'more' if minutes > 0 else 'less'}")
    if abs(ground) >= LEAST_M2:
        parts.append(f"{say('patch', abs(ground), units)} {'more' if ground > 0 else 'less'} expected lasting damage")
    return parts


def other_words(one: Other, answer: ParkAnswer) -> str:
    """Return another way in one sentence, against the best place; lower pressures against the same place without them."""
    best, units = answer.places[0], answer.job.farm.units
    if not one.possible:
        return f"{capital(one.words)}: not possible, {one.why}."
    if one.key == "let down":
        same = next(place for place in answer.places if (place.candidate.number,) == one.numbers)
        parts = _more(one.minutes - same.minutes, one.lasting_m2 - same.lasting_m2, units)
        told = ", ".join(parts) if parts else "no difference that counts"
        return f"{capital(one.words)}: against the same place at road pressure {told}."
    parts = _more(one.minutes - best.minutes, one.lasting_m2 - best.lasting_m2, units)
    if one.numbers == (best.candidate.number,) and not parts:
        return (
            f"{capital(one.words)}: that is the place advised."
            if one.key == "hard track"
            else (f"{capital(one.words)}: no difference that counts.")
        )
    told = ", ".join(parts) if parts else "no difference that counts"
    if one.key == "moved once":
        minute = answer.job.minute_m2
        if one.lasting_m2 + minute * one.minutes >= best.worth_m2(minute):
            first = "Moving it once does not help" if answer.job.heap is None else "A second heap does not help"
            pair = one.words.removeprefix("moved once: ").removeprefix("two heaps: ")
            return f"{first}; the best pair of places, {pair}: {told}."
    if one.key == "two trailers":
        told += " (tractor and driver of the second are not counted)"
    return f"{capital(one.words)}: {told}."


def without_lines(answer: ParkAnswer) -> list[str]:
    """Return that no trailer at all is better, and by how much; empty where it is not."""
    best, minute = answer.places[0], answer.job.minute_m2
    for one in answer.others:
        if one.key == "no trailer" and one.possible and one.lasting_m2 + minute * one.minutes < best.worth_m2(minute):
            parts = _more(one.minutes - best.minutes, one.lasting_m2 - best.lasting_m2, answer.job.farm.units)
            told = ", ".join(parts) if parts else "no difference that counts"
            itself = f"{answer.job.served.title} drives to the yard itself"
            if answer.job.heap is not None:
                return [f"Without a heap, where {itself}, all together: {told}."]
            return [f"No trailer: {itself}.", f"The trailer does not pay: without it {told}."]
    return []


def waiting_line(answer: ParkAnswer) -> str:
    """Return that one trailer is too few, where the served outfit waits for it for long, and what a second one saves."""
    best, two = answer.places[0], next((one for one in answer.others if one.key == "two trailers"), None)
    if two is None or not two.possible or best.wait_s < LONG_WAIT * 60 * best.minutes:
        return ""
    saved = signed_minutes(two.minutes - best.minutes).lstrip("\N{MINUS SIGN}")
    return (
        f"{answer.job.served.title} waits {best.wait_s / 60:.0f} of {best.minutes:.0f} minutes for the trailer: "
        f"{two.words} would take {saved} minutes less."
    )


def coupling_line(answer: ParkAnswer) -> str:
    """Return whether the trailer may be uncoupled."""
    found, job = answer.uncoupling, answer.job
    if job.heap is not None:
        return ""
    if found.hitch is None:
        return f"It stays as it is: {found.why}."
    least, most = (say("mass", force / GRAVITY, job.farm.units) for force in (found.hitch.least_n, found.hitch.most_n))
    if not found.allowed:
        return f"Do not uncouple: the hitch load falls to {least} while the load changes, {found.why}."
    if not job.uncoupled:
        return (
            f"It stays coupled. It might be uncoupled: the hitch load never falls below {least} while the load changes."
        )
    range_words = f"stays at {least}" if least == most else f"stays between {least} and {most}"
    return f"It may be uncoupled: the hitch load {range_words} while the load changes."


def away_line(answer: ParkAnswer) -> str:
    """Return whether the loaded trailer gets away from the field (to a heap: moves on it), today and after a day's rain."""
    if answer.sure is None:
        return ""
    job = answer.job
    parts = []
    for number, away in enumerate(answer.sure.away):
        when = f"on soil that {away.word}" if number == 0 else f"after a day's rain (soil that {away.word})"
        if away.slip is None:
            parts.append(f"{when} its wheels would spin: it stays stuck")
        else:
            leaves = "it leaves" if job.heap is None else "it moves"
            word = leaves if away.leaves else "it shears the topsoil"
            parts.append(f"{when} {word}, slip {100 * away.slip:.0f} %")
    if len(answer.sure.away) == 1:
        parts.append("wetter soil than that has no figures: do not count on it")
    spots = [one.candidate.spot for one in answer.places]
    stays, best = job.stay_s or 0.0, answer.places[0]
    if job.heap is None and stays >= LONG_STAY_S and best.candidate.spot.on_field and not answer.sure.away[-1].leaves:
        parts.append(f"it stands for {stays / 3600:g} hours: where rain may come in that time, choose a hard place")
    hard = " From a hard track it leaves whatever the soil." if any(not one.on_field for one in spots) else ""
    if job.heap is None:
        return f"Getting away loaded from the field: {'; '.join(parts)}.{hard}"
    return f"The loaded trailer on the field: {'; '.join(parts)}."


def sides_words(sides_m: tuple[float, float], units: str) -> str:
    """Return the sides of a board as people say them.

    Examples
    --------
    >>> sides_words((0.6, 0.6), "metric"), sides_words((0.6, 0.6), "us")
    ('60 x 60 cm', '24 x 24 in')
    """
    if units == "us":
        return " x ".join(f"{side / INCH:.0f}" for side in sides_m) + " in"
    return " x ".join(f"{100 * side:.0f}" for side in sides_m) + " cm"


def standing_title(one: Weighed, best: Weighed) -> str:
    """Return the title over what stands: at the place advised, or at the best one on the field."""
    if one.stands is not None and one.stands.heap is not None:
        return f"{'The heap' if one is best else 'If it lay on the field:'} at place {one.candidate.number}"
    return f"{'Standing' if one is best else 'If it stood on the field:'} at place {one.candidate.number}"


def soil_words(job: ParkJob) -> str:
    """Return how moist the soil is: as it was given, else by the day, top and below apart where they differ."""
    if job.operation.moisture is not None:
        return job.operation.moisture.words
    top, below = (moisture_word(tension) for tension in job.tension_pa)
    return top if top == below else f"{top} on top, {below} below"


def work_line(one: Weighed) -> str:
    """Return what a trailer or a heap on the field keeps from being worked."""
    stands = "stands" if one.stands is None or one.stands.heap is None else "lies"
    return (
        f"Nothing can be worked where it {stands}: leave that strip by place {one.candidate.number} until it has gone."
    )


def standing_words(one: Standing, units: str) -> list[str]:
    """Return what the standing weight does, a sentence for the wheels and one for the jack stand; of a heap one."""
    depth = say("depth", one.judged_m, units)
    if one.heap is not None:
        place = int(abs(one.heap.depths_m - one.judged_m).argmin())
        return [
            f"It presses with {say('stress', one.heap.load_n / one.heap.area_m2 / KPA, units)} on "
            f"{say('patch', one.heap.area_m2, units)}, {say('stress', float(one.heap.stress_pa[place]) / KPA, units)} at "
            f"{depth}: overstress {say_chance(one.heap.judged)} on {one.soil}."
        ]
    worst = max(one.wheels, key=lambda wheel: wheel.judged)
    place = int(abs(worst.depths_m - one.judged_m).argmin())
    lines = [
        f"At rest, {worst.what}: {say('mass', worst.load_n / GRAVITY, units)} a wheel, "
        f"{say('stress', float(worst.stress_pa[place]) / KPA, units)} at {depth}, overstress {say_chance(worst.judged)} on {one.soil}."
    ]  # fmt: skip
    if one.jack is not None and one.board is not None:
        stress = say("stress", float(one.jack.stress_pa[0]) / KPA, units)
        board = say("stress", float(one.board.stress_pa[0]) / KPA, units)
        ground = say("stress", one.jack.load_n / one.jack.area_m2 / KPA, units)
        top = say("depth", float(one.jack.depths_m[0]), units)
        lines.append(
            f"Jack stand: {say('mass', one.jack.load_n / GRAVITY, units)}, {ground} under its foot and {stress} at {top}; "
            f"on a board of {sides_words(BOARD_M, units)} {board} there."
        )
    return lines


def sure_lines(answer: ParkAnswer) -> list[str]:
    """Return how sure the choice is."""
    found, best = answer.sure, answer.best
    if found is None or best is None:
        return []
    number, units = best.candidate.number, answer.job.farm.units
    lines = []
    wet = [word for word in found.words if word not in found.holds_words]
    if not wet:
        lines.append(f"Place {number} stays the best whether the soil smears, moulds or crumbles.")
    else:
        parts = [f"where it {word} place {found.words[word][0][0]} is better" for word in wet]
        lines.append(
            f"Place {number} is the best for soil that {' or '.join(found.holds_words) or 'is as given'}; {'; '.join(parts)}."
        )
    changed = [load for load, order in found.loads.items() if order[0][0] != number]
    if changed:
        told = ", ".join(f"{load_words(load, units)} place {found.loads[load][0][0]}" for load in changed)
        lines.append(f"With another load on the trailer the choice changes: {told}.")
    elif len(found.loads) > 1:
        least, most = load_words(min(found.loads), units), load_words(max(found.loads), units)
        room = answer.job.trailer.capacity_kg
        over = f" (more than its {load_words(room, units)})" if max(found.loads) > room + 1.0 else ""
        lines.append(f"It stays the best with {least} to {most}{over} on the trailer.")
    low, high = found.minutes_m2
    end = "any worth" if math.isinf(high) else say("patch", high, units)
    lines.append(
        f"A minute weighs as much as {say('patch', answer.job.minute_m2, units)} of lasting damage; the choice is the same "
        f"from {say('patch', low, units)} a minute to {end}."
    )
    return lines


def load_words(load_kg: float, units: str) -> str:
    """Return a load as people say it.

    Examples
    --------
    >>> load_words(15_600.0, "metric"), load_words(16_000.0, "us")
    ('15.6 t', '35,300 lb')
    """
    return f"{load_kg / 1e3:.1f} t" if units == "metric" else say("mass", load_kg, units)


def pressure_line(job: ParkJob) -> str:
    """Return at which pressures it stands and drives in; none is named for a tyre without its maker's table."""
    words = "It comes by road, so it stands and drives in at the road pressure of its file"
    if job.heap is not None:
        words = "The trailer comes by road, so it drives in at the road pressure of its file"
    axles = job.trailer.axles()
    if any(table_of(job.farm.tyre_tables, axle.wheels[0].tyre.code) is None for axle in axles):
        return f"{words}."
    return f"{words}: {', '.join(f'{axle.key} {pressure_text(axle.track_pa)}' for axle in axles)}."


def time_line(job: ParkJob) -> str:
    """Return the known weakness of standing loads."""
    if job.heap is not None:
        return (
            "A heap is computed like a load that passes: one that lies for weeks presses further than the model says. Its weight "
            "is not in the order of the places: it is the same wherever it lies on soil."
        )
    stays = "" if job.stay_s is None else f"It stands for {job.stay_s / 3600:g} hours. "
    return (
        f"{stays}Standing is computed like passing: a load of hours presses soil further than the model says, so a place that "
        "comes out near the limit is worse than it looks."
    )
