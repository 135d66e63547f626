"""When would a heat sum have been reached, said from earlier in each past season? The arithmetic of an outlook's skill,
season by season left out of its own projection, as numpy does it over all futures and days at once: the alternative beside
our own, and a check on its dates. Written from the description in src/heat/projection, not from its code.

Argument: a file as outlook.rs writes it. Prints CPU seconds, then how many projections were compared and how many differ."""

import datetime
import sys
import time

import numpy as np

SLOTS, LEAP = 366, 59
NEXT_DAY = np.array([[0.40, 0.27], [-0.12, 0.70]])
# What is left of a day's anomaly after one day, two days and so on.
DAYS_ON = np.array([np.linalg.matrix_power(NEXT_DAY, day) for day in range(1, SLOTS + 1)])
# Futures are gone through in so many days at a time, until all of them are there.
BLOCK = 40


def excess(low, high, level):
    mean, half = (low + high) / 2, np.maximum((high - low) / 2, 1e-300)
    angle = np.arcsin(np.clip((level - mean) / half, -1, 1))
    return ((mean - level) * (np.pi / 2 - angle) + half * np.cos(angle)) / np.pi


def degree_days(low, high, lower, upper):
    return np.maximum(excess(low, high, lower) - excess(low, high, upper), 0)


def smoothing(sd):
    away = np.abs(np.arange(SLOTS)[:, None] - np.arange(SLOTS)[None, :])
    weights = np.where(away <= int(4 * sd), np.exp(-0.5 * (away / sd) ** 2), 0)
    return weights / weights.sum(axis=1, keepdims=True)


SMOOTH_MEAN, SMOOTH_DEVIATION = smoothing(10.0), smoothing(15.0)


def slots_of(year, days):
    slots = np.arange(days)
    leap = datetime.date(year, 12, 31).timetuple().tm_yday == 366
    return slots if leap else slots + (slots >= LEAP)


class Station:
    def __init__(self, years, seasons):
        self.years, self.seasons = np.array(years), seasons
        count = len(years)
        table = np.empty((SLOTS, count, 2))
        for at, (year, days) in enumerate(zip(years, seasons)):
            table[LEAP, at] = (days[LEAP - 1] + days[LEAP]) / 2
            table[slots_of(year, len(days)), at] = days
        self.table = table
        mean = table.mean(axis=1)
        deviation = table - mean[:, None]
        self.mean = SMOOTH_MEAN @ mean
        self.as_mean = np.einsum("ab,bce->ace", SMOOTH_MEAN, deviation)
        self.smoothed = np.einsum("ab,bce->ace", SMOOTH_DEVIATION, deviation)
        apart = self.years[:, None] - self.years[None, :]
        self.close = np.exp(-0.5 * (apart / 8.0) ** 2) * (apart != 0)
        self.others = np.einsum("sbe,bc->sce", self.smoothed, self.close)

    def without(self, out):
        """Level of one season, and the anomalies of all others for it."""
        left = len(self.years) - 1
        shared = self.close[:, out]
        weights = self.close.sum(axis=1) - shared
        own = self.close[out]
        deviation = self.smoothed[:, out]
        moved = deviation / left
        mean = self.mean - self.as_mean[:, out] / left
        total = np.einsum("c,sce->se", own, self.smoothed)
        level = mean + (total + own.sum() * moved) / (own.sum() + 0.5)
        others = self.others - shared[None, :, None] * deviation[:, None] + weights[None, :, None] * moved[:, None]
        anomalies = self.table - (mean[:, None] + others / (weights + 0.5)[None, :, None])
        return level, np.delete(anomalies, out, axis=1)


def shifted(slots, shift):
    at = np.abs(slots + shift)
    return np.where(at > SLOTS - 1, 2 * (SLOTS - 1) - at, at)


def crossing_days(level, anomalies, slots, season, known, begun, target, lower, upper):
    """Days ahead by future; the number of days left plus one stands for futures that do not get there."""
    members = anomalies.shape[1]
    shifts = [0, -4, 4, -8, 8] if members < 30 else [0, -4, 4] if members < 60 else [0]
    recent = slots[max(known - 45, 0) : known][::-1]
    ahead = slots[known:]
    lanes = members * len(shifts)
    fades, stays = np.zeros((lanes, 2)), np.zeros((lanes, 2))
    if known > 0:
        newest = season[max(known - 45, 0) : known][::-1] - level[recent]
        before = np.concatenate([anomalies[shifted(recent, shift)] for shift in shifts], axis=1)
        slow, slow_then = 0.12 * newest.mean(axis=0), 0.12 * before.mean(axis=0)
        fades = (newest[0] - slow) - (before[0] - slow_then)
        stays = slow - slow_then
    found = np.full(lanes, len(ahead) + 1)
    for day in range(0, len(ahead), BLOCK):
        block = ahead[day : day + BLOCK]
        then = np.concatenate([anomalies[shifted(block, shift)] for shift in shifts], axis=1)
        lead = np.einsum("dij,lj->dli", DAYS_ON[day : day + len(block)], fades) + stays
        both = level[block][:, None] + then + lead
        sums = begun + np.cumsum(degree_days(both.min(axis=2), both.max(axis=2), lower, upper), axis=0)
        there = sums >= target - 1e-9
        found = np.where((found > len(ahead)) & there.any(axis=0), day + there.argmax(axis=0) + 1, found)
        if (found <= len(ahead)).all():
            break
        begun = sums[-1]
    return found


def main():
    words = open(sys.argv[1], encoding="ascii").read().split("\n")
    lower, upper, target = (float(word) for word in words[0].split())
    compared = differ = 0
    cpu = 0.0
    at = 1
    while words[at]:
        count, asked = (int(word) for word in words[at].split())
        years = [int(words[at + 1 + n].split()[0]) for n in range(count)]
        seasons = [np.array(words[at + 1 + n].split()[1:], dtype=float).reshape(-1, 2) for n in range(count)]
        at += 1 + count
        rows = [words[at + n].split() for n in range(asked)]
        at += asked
        wanted = {(int(row[0]), int(row[1])): (float(row[2]), int(row[3])) for row in rows}
        before = time.process_time()
        station = Station(years, seasons)
        found = {}
        for out, (year, season) in enumerate(zip(years, seasons)):
            leads = sorted(lead for of, lead in wanted if of == year)
            if not leads:
                continue
            level, anomalies = station.without(out)
            slots = slots_of(year, len(season))
            sums = np.cumsum(degree_days(season[:, 0], season[:, 1], lower, upper))
            event = int(np.argmax(sums >= target - 1e-9))
            for lead in leads:
                known = event + 1 - lead
                begun = sums[known - 1] if known > 0 else 0.0
                days = crossing_days(level, anomalies, slots, season, known, begun, target, lower, upper)
                found[(year, lead)] = (days.mean(), int((days > len(slots) - known).sum()))
        cpu += time.process_time() - before
        for key, (mean, missing) in wanted.items():
            compared += 1
            differ += abs(found[key][0] - mean) > 1e-9 or found[key][1] != missing
    print(cpu)
    print(compared, differ)


main()
