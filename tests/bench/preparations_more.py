"""Twelve more simulated preparations, written by someone who did not know how the runs are chosen.

All data here are invented. Nine follow a mechanism (kinetics, mass and heat transfer, solubility,
light, distillation); the last three are plain surfaces. They took part in choosing how far the
engine goes in one run, see README.md here; ``preparations_unseen`` did not.
"""

from __future__ import annotations

from math import exp, log, sqrt

import numpy as np

from server.core.space.limits import Space
from server.core.space.variables import Role, Setting, Stage
from tests.bench.preparations import Preparation, R, choice, logistic, number, percent, rate_constant


def _soft(x: float, width: float) -> float:
    """Smooth max(x, 0)."""
    return width * log(1.0 + exp(min(x / width, 60.0))) if x / width < 60.0 else x


def sandmeyer() -> Preparation:
    # Cold diazotisation of an aniline, then Sandmeyer bromination with copper(I).
    space = Space(
        (
            number("addition", Role.HOLD_TIME, "min", 5, 90, 5, 20),
            number("bath", Role.TEMPERATURE, "°C", -10, 15, 1, 4),
            number("nitrite", Role.RATIO, "", 0.9, 1.5, 0.02, 1.1),
            number("acid", Role.RATIO, "", 2, 4, 0.1, 2.4),
            number("copper", Role.LOADING, "mol%", 5, 100, 5, 30, Stage.REACTION_2),
            number("warm", Role.TEMPERATURE, "°C", 20, 90, 5, 70, Stage.REACTION_2),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        t_add, bath, eq = float(s["addition"]), float(s["bath"]), float(s["nitrite"])
        acid, cu, warm = float(s["acid"]), float(s["copper"]) / 100, float(s["warm"])
        inside = bath + 260.0 / (t_add + 5.0)  # heat of nitrite addition against the ice bath
        k1 = rate_constant(1.1, 62, inside, 5) / (0.5 + 0.5 * (acid - 1.4) ** 1.5)  # only free amine reacts
        fumes = rate_constant(0.012, 80, inside, 5) + 0.5 / (t_add + 4.0)  # nitrous gases, worse if dumped in
        decay = rate_constant(0.0011, 112, inside, 5)
        triazene = rate_constant(0.035, 50, inside, 5) * exp(-1.9 * (acid - 2.0))
        total = t_add + 15.0
        n = 150
        dt = total / n
        amine, hono, diazo = 1.0, 0.0, 0.0
        for i in range(n):
            # The share of this step in which nitrite still runs in; implicit in each species.
            feed = eq / t_add * min(max((t_add - i * dt) / dt, 0.0), 1.0)
            hono = (hono + dt * feed) / (1 + dt * (k1 * amine + fumes))
            made = amine * (1 - 1 / (1 + dt * k1 * hono))
            amine -= made
            diazo = (diazo + made) / (1 + dt * (decay + triazene * amine))
            amine /= 1 + dt * triazene * diazo
        # Copper step: bromide against phenol (water) and against biaryl (much copper), 45 min.
        kb = rate_constant(0.09, 64, warm, 50) * cu / (cu + 0.25)
        kp = rate_constant(0.012, 112, warm, 50)
        kr = rate_constant(0.008, 40, warm, 50) * (0.3 + cu)
        whole = kb + kp + kr
        bromide = diazo * kb / whole * (1 - exp(-45 * whole))
        spoiled = 1.0 / (1.0 + 1.1 * hono)  # left-over nitrite oxidises copper, nitrates, tars
        return percent(0.94 * bromide * spoiled)

    return Preparation("cold diazotisation, Sandmeyer", space, truth, noise=2.5)


def grignard() -> Preparation:
    # Grignard addition to an enolisable ketone, acid quench that dehydrates the carbinol, drying; the stir is inert.
    space = Space(
        (
            number("addition", Role.HOLD_TIME, "min", 10, 120, 5, 30),
            number("bath", Role.TEMPERATURE, "°C", -20, 35, 5, 20),
            number("grignard", Role.RATIO, "", 1, 2, 0.05, 1.2),
            number("thf", Role.VOLUME, "mL/g", 4, 20, 1, 8),
            number("stir", Role.HOLD_TIME, "h", 1, 5, 0.5, 2),
            number("acid", Role.RATIO, "", 1, 4, 0.25, 2.25, Stage.QUENCH),
            number("quench", Role.TEMPERATURE, "°C", 0, 40, 5, 20, Stage.QUENCH),
            number("oven", Role.TEMPERATURE, "°C", 25, 80, 5, 60, Stage.DRYING),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        t_add, bath, eq, v = float(s["addition"]), float(s["bath"]), float(s["grignard"]), float(s["thf"])
        conc = 5.0 / (v + 2.0)  # mol/L of ketone in the end
        rise = 110.0 * conc / (0.16 * t_add + 1.0)
        inside = 66.0 - _soft(66.0 - (bath + rise), 4.0)  # THF boils: the rise ends at reflux
        active = eq - 0.10 - 0.06 * v / 10  # titre lost to Wurtz coupling and to moist solvent
        k_add = rate_constant(0.9, 42, inside, 20) * conc / 0.5 * logistic((inside + 16) / 4)  # crusts in the deep cold
        k_enol = rate_constant(0.15, 66, inside, 20) * conc / 0.5
        k_aldol = rate_constant(0.22, 52, inside, 20) * (conc / 0.5) * (25.0 / (t_add + 10.0))
        total = t_add + 60.0 * float(s["stir"])
        # Semi-batch: ketone runs into the Grignard; steps are fine during and coarse after the addition.
        ketone, product, enolate, left = 0.0, 0.0, 0.0, max(active, 0.05)
        for span, feed, n in ((t_add, 1.0 / t_add, 60), (total - t_add, 0.0, 60)):
            dt = span / n
            for _ in range(n):
                drain = (k_add + k_enol) * left + k_aldol * enolate
                ketone = (ketone + dt * feed) / (1 + dt * drain)
                added, taken = dt * k_add * left * ketone, dt * k_enol * left * ketone
                scale = min(1.0, 0.98 * left / (added + taken + 1e-12))
                product += added * scale
                enolate += taken * scale
                left -= (added + taken) * scale
                ketone += (added + taken) * (1 - scale)
        acid, cold, oven = float(s["acid"]), float(s["quench"]), float(s["oven"])
        free = _soft(acid - 0.9 * eq, 0.15)  # acid not used up by magnesium alkoxide and excess reagent
        water_loss = exp(-rate_constant(0.085, 85, cold, 20) * free**1.2)
        emulsion = 0.80 + 0.19 * logistic((acid - 1.0 * eq) / 0.15)
        dry = exp(-rate_constant(0.07, 95, oven, 60) * (0.4 + 0.5 * free))
        damp = 1 - 0.05 * logistic((38 - oven) / 4)  # solvent of crystallisation: dried and sieved again
        salts = 1 - 0.04 * logistic((5 - cold) / 2)  # magnesium salts cake in the ice-cold quench
        thick = 1 - 0.12 * logistic((5.5 - v) / 0.8)  # alkoxide slurry that cannot be stirred
        biaryl = 1 - 0.10 * max(eq - 1.25, 0) - 0.006 * max(v - 10, 0)  # chromatography, dilution losses
        return percent(product * water_loss * emulsion * dry * damp * salts * thick * biaryl)

    return Preparation("Grignard and acid quench", space, truth, noise=2.5)


def ketoreductase() -> Preparation:
    # Enzymatic ketone reduction with 2-propanol as reductant: heat death, pH bell, inhibition, equilibrium.
    space = Space(
        (
            number("temp", Role.TEMPERATURE, "°C", 20, 60, 2, 30),
            number("ph", Role.OTHER, "", 5.5, 9, 0.1, 7.5),
            number("enzyme", Role.LOADING, "wt%", 0.5, 10, 0.5, 2),
            number("hold", Role.HOLD_TIME, "h", 2, 48, 1, 16),
            number("substrate", Role.CONCENTRATION, "g/L", 10, 200, 10, 120),
            number("propanol", Role.OTHER, "vol%", 5, 50, 5, 15),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        temp, ph, load, hold = float(s["temp"]), float(s["ph"]), float(s["enzyme"]), float(s["hold"])
        s0, ipa = float(s["substrate"]) / 150, float(s["propanol"])  # mol/L of ketone
        donor = ipa / 100 * 13.0
        bell = 1.18 / (1 + 10 ** (6.0 - ph) + 10 ** (ph - 8.1))
        turn = rate_constant(0.13, 48, temp, 30) * bell * load * s0 / (s0 + 0.15)  # wt% of the substrate
        turn *= donor / (donor + 0.9)
        death = rate_constant(0.010, 190, temp, 34) * exp(0.055 * (ipa - 15)) * (1 + 0.6 * (ph - 7.0) ** 2)
        solved = 0.11 + 0.0085 * ipa + 0.002 * (temp - 20)  # mol/L of ketone in solution, the rest is oil
        # Equilibrium conversion: x² s0 / ((1 - x)(donor - x s0)) = equal.
        equal = 1.8
        a, b = s0 * (1 - equal), equal * (s0 + donor)
        x_eq = (-b + sqrt(b * b + 4 * a * equal * donor)) / (2 * a)
        n = 150
        x, past = 0.0, 0.0
        for i in range(1, n + 1):
            now = hold * (i / n) ** 2  # short steps at the start
            dt = now - past
            live = exp(-death * (past + 0.5 * dt))
            past = now
            c = s0 * (1 - x)
            free = c * solved / (c + solved)
            rate = turn * live * free / (0.04 + free * (1 + free / 0.35) + 0.12 * x * s0)
            gain = dt * rate / (s0 * x_eq)
            x = (x + gain * x_eq) / (1 + gain)
        decay = exp(-rate_constant(0.0011, 70, temp, 30) * hold * 10 ** (0.6 * (ph - 7.5)))
        emulsion = 0.97 - 0.0012 * load**1.8  # protein holds the extract
        water = 0.4 * (1 + 0.09 * ipa) / (s0 * 150 + 5)  # product that the aqueous propanol keeps
        return percent(x * decay * emulsion / (1 + water))

    return Preparation("ketoreductase", space, truth, noise=2.0)


def phase_transfer() -> Preparation:
    # Phase-transfer alkylation in toluene, dichloromethane or MTBE with lye: stirring limit, catalyst decay.
    space = Space(
        (
            choice("catalyst", ("TBAB", "TBAHSO4", "Aliquat 336", "BnNEt3Cl", "PEG-400"), "BnNEt3Cl"),
            choice("solvent", ("toluene", "CH2Cl2", "MTBE"), "toluene"),
            number("loading", Role.LOADING, "mol%", 0.5, 10, 0.5, 5),
            number("lye", Role.CONCENTRATION, "wt%", 10, 50, 5, 50),
            number("temp", Role.TEMPERATURE, "°C", 20, 70, 5, 40),
            number("stirring", Role.OTHER, "1/min", 200, 1200, 100, 500),
            number("hold", Role.HOLD_TIME, "h", 0.5, 8, 0.5, 3),
        )
    )
    # Extraction of the ion pair into the solvent, and weakness towards hot lye.
    pull = {"TBAB": 1.0, "TBAHSO4": 1.35, "Aliquat 336": 1.6, "BnNEt3Cl": 0.42, "PEG-400": 0.22}
    weak = {"TBAB": 1.0, "TBAHSO4": 1.0, "Aliquat 336": 0.8, "BnNEt3Cl": 2.5, "PEG-400": 0.05}
    foam = {"TBAB": 0.0, "TBAHSO4": 0.0, "Aliquat 336": 1.0, "BnNEt3Cl": 0.0, "PEG-400": 0.5}
    polar = {"toluene": 1.0, "CH2Cl2": 2.6, "MTBE": 0.75}
    boils = {"toluene": 110.0, "CH2Cl2": 39.0, "MTBE": 54.0}
    greasy = {"toluene": 1.0, "CH2Cl2": 0.35, "MTBE": 1.2}  # how much a greasy catalyst gains

    def truth(s: dict[str, Setting]) -> float:
        cat, sol = str(s["catalyst"]), str(s["solvent"])
        load, lye, rpm = float(s["loading"]), float(s["lye"]), float(s["stirring"])
        hold = float(s["hold"])
        temp = boils[sol] - _soft(boils[sol] - float(s["temp"]), 1.0)  # no hotter than reflux
        dry = exp(0.04 * (lye - 30))  # strong lye salts the ion pair out of the water
        chem = rate_constant(0.26, 58, temp, 40) * load**0.85 * polar[sol] * pull[cat] ** greasy[sol] * dry**1.6
        film = 1.5 * (rpm / 500) ** 1.6 * exp(0.012 * (temp - 40))
        if lye > 40:
            film *= 1 - 0.03 * (lye - 40)  # viscous
        rate = chem * film / (chem + film)
        died = rate_constant(0.035, 92, temp, 40) * weak[cat] * dry
        active = (1 - exp(-died * hold)) / died if died * hold > 1e-6 else hold
        tau = rate * active
        again = (0.022 + 0.011 * dry) * (1 + 0.6 * (polar[sol] > 2)) * exp(0.018 * (temp - 40))
        lost = rate_constant(0.014, 78, temp, 40) * (lye / 30) ** 1.5 * (3.2 if sol == "CH2Cl2" else 1.0)  # halide hydrolysis
        mono = (exp(-again * tau) - exp(-tau)) / (1 - again)
        halide = 1 / (1 + lost * hold * (0.15 + exp(-0.6 * tau)))
        emulsion = 0.97 - 0.05 * foam[cat] * load / 5 - 0.05 * logistic((rpm - 1000) / 80) * (1 + foam[cat])
        return percent(0.98 * mono * halide * emulsion)

    return Preparation("phase-transfer alkylation", space, truth, noise=2.5)


def recrystallisation() -> Preparation:
    # Cooling crystallisation of a crude: solubility, inclusion at fast cooling, cake wash; impure lots are redone.
    space = Space(
        (
            choice("solvent", ("ethanol", "2-propanol", "ethyl acetate", "toluene"), "ethanol", Stage.ISOLATION),
            number("volume", Role.VOLUME, "mL/g", 3, 20, 0.5, 9, Stage.ISOLATION),
            number("end", Role.TEMPERATURE, "°C", -15, 25, 1, 5, Stage.ISOLATION),
            number("cooling", Role.OTHER, "K/h", 2, 60, 2, 20, Stage.ISOLATION),
            number("wash", Role.VOLUME, "mL/g", 0, 4, 0.25, 2, Stage.ISOLATION),
        )
    )
    # Solubility at 20 °C [mg/mL], heat of solution [kJ/mol], boiling [°C], impurity solubility, oiling.
    table = {
        "ethanol": (30.0, 27.0, 78.0, 1.5, 0.2),
        "2-propanol": (17.0, 36.0, 82.0, 1.0, 0.5),
        "ethyl acetate": (30.0, 31.0, 77.0, 2.0, 0.1),
        "toluene": (7.0, 43.0, 108.0, 0.55, 1.0),
    }

    def truth(s: dict[str, Setting]) -> float:
        s20, heat, boil, ratio, oily = table[str(s["solvent"])]
        v, end, rate, wash = float(s["volume"]), float(s["end"]), float(s["cooling"]), float(s["wash"])
        product, foreign = 880.0, 120.0  # mg per g of crude
        hot = v * rate_constant(s20, heat, boil - 3, 20)
        open_ = _soft(product - hot, 30.0)  # never dissolved: goes through with its dirt
        # What stays dissolved: solubility plus what slow nucleation leaves behind at fast cooling.
        cold = rate_constant(s20, heat, end, 20) * (1 + 0.05 * sqrt(rate / 10))
        liquor = v * cold
        crystals = _soft(product - liquor, 15.0)
        steep = crystals / v / 100  # supersaturation that the cooling has to work off
        included = 0.0035 * (rate / 10) ** 0.8 * (1 + steep) + 0.02 * oily * logistic((steep - 1.6) / 0.25)
        own = _soft(foreign - 0.8 * ratio * v * 9.0 * exp(0.022 * (end - 20)), 6.0) * 0.35  # impurity crystallises too
        cling = (0.5 + 0.006 * rate) * exp(-1.1 * wash)  # mL/g of liquor on the cake
        dirt = included * crystals + own + cling * foreign / v * 0.9 + 0.10 * open_
        kept = max(crystals - wash * 0.35 * cold - 12.0, 0.0)
        purity = kept / (kept + dirt + 1e-9)
        # Slow cooling leaves crusts on the wall and the crude hot for a day.
        redo = 0.28 * logistic((0.962 - purity) / 0.008)  # below specification: crystallised once more
        return percent(kept / product * (1 - redo) * (1 - 0.05 * exp(-(rate - 2) / 6)))

    return Preparation("recrystallisation", space, truth, noise=1.5)


def photocycloaddition() -> Preparation:
    # Sensitised [2+2] photocycloaddition: photon supply, triplet competition, reversion when warm, over-irradiation.
    space = Space(
        (
            choice("sensitiser", ("acetophenone", "benzophenone", "thioxanthone", "xanthone"), "benzophenone"),
            number("loading", Role.LOADING, "mol%", 1, 30, 1, 5),
            number("enone", Role.CONCENTRATION, "mol/L", 0.01, 0.2, 0.01, 0.08),
            number("alkene", Role.RATIO, "", 1, 10, 0.5, 3),
            number("temp", Role.TEMPERATURE, "°C", -40, 40, 5, 20),
            number("light", Role.HOLD_TIME, "h", 0.5, 24, 0.5, 5),
        )
    )
    # Absorption at the lamp line [L/mol/cm], transfer efficiency (triplet energy), bleaching, attack on C–H.
    table = {
        "acetophenone": (45.0, 0.98, 0.03, 0.04),
        "benzophenone": (90.0, 0.80, 0.05, 0.09),
        "thioxanthone": (2600.0, 0.52, 0.02, 0.02),
        "xanthone": (900.0, 0.95, 0.09, 0.06),
    }

    def truth(s: dict[str, Setting]) -> float:
        eps, gives, bleach, grabs = table[str(s["sensitiser"])]
        c0, eq, temp, hours = float(s["enone"]), float(s["alkene"]), float(s["temp"]), float(s["light"])
        cs = c0 * float(s["loading"]) / 100
        photons = 0.045  # einstein per litre and hour
        back = rate_constant(0.75, 14, temp, 20)  # biradicals that fall apart, per one that closes
        ring = 1 / (1 + back)
        n = 120
        dt = hours / n
        enone, alkene, product, sens = c0, c0 * eq, 0.0, cs
        for _ in range(n):
            a_s, a_e, a_p = eps * sens, 28.0 * enone, 9.0 * product
            a = a_s + a_e + a_p
            taken = photons * (1 - exp(-2.303 * a)) / (a + 1e-12)
            by_sens, by_enone, by_product = taken * a_s, taken * a_e, taken * a_p
            triplets = gives * by_sens * enone / (enone + 0.004) + 0.45 * by_enone
            whole = 0.06 + alkene + 0.6 * enone  # decay, alkene, a second enone
            good = triplets * alkene / whole * ring
            dimer = 0.6 * triplets * 0.6 * enone / whole
            pinacol = grabs * by_sens * (1 + 0.4 * eq) / 3
            use = good + 2 * dimer + 0.3 * pinacol
            scale = 1 / (1 + dt * use / (enone + 1e-9))
            ruin = (0.2 * by_product + 0.05 * gives * by_sens * 0.004 / (enone + 0.004)) / (product + 1e-6)
            product = (product + dt * good * scale) / (1 + dt * min(ruin, 2.0))
            enone *= scale
            alkene = max(alkene - dt * (good + 0.5 * pinacol) * scale, 1e-6)
            sens /= 1 + dt * (bleach + pinacol / (sens + 1e-6) * 0.15)
        # Much alkene or much sensitiser means a harder column.
        column = 0.97 - 0.004 * max(eq - 3, 0) ** 1.3 - 0.0035 * max(float(s["loading"]) - 8, 0)
        return percent(product / c0 * column)

    return Preparation("photocycloaddition", space, truth, noise=3.0)


def cross_coupling() -> Preparation:
    # Palladium cross-coupling of a boronic acid: ligand and base decide rate, catalyst death and loss of boron.
    space = Space(
        (
            choice("ligand", ("PPh3", "dppf", "XPhos", "P(tBu)3", "none"), "PPh3"),
            choice("alkali", ("K2CO3", "K3PO4", "Cs2CO3", "Et3N"), "K2CO3"),
            number("palladium", Role.LOADING, "mol%", 0.25, 5, 0.25, 2),
            number("boron", Role.RATIO, "", 1, 2, 0.05, 1.2),
            number("temp", Role.TEMPERATURE, "°C", 40, 120, 5, 80),
            number("hold", Role.HOLD_TIME, "h", 1, 24, 1, 8),
        )
    )
    # Rate at 80 °C, activation energy, death at 80 °C, its energy.
    ligands = {
        "PPh3": (0.17, 82.0, 0.07, 75.0),
        "dppf": (0.22, 88.0, 0.025, 80.0),
        "XPhos": (0.62, 70.0, 0.06, 110.0),
        "P(tBu)3": (0.85, 60.0, 0.28, 120.0),
        "none": (0.12, 70.0, 0.60, 60.0),
    }
    # Help to transmetalation, push to loss of boron, solubility limit of the help when cold.
    bases = {"K2CO3": (0.8, 0.8, 5.0), "K3PO4": (1.35, 1.3, 12.0), "Cs2CO3": (1.5, 2.2, 0.0), "Et3N": (0.4, 0.3, 0.0)}

    def truth(s: dict[str, Setting]) -> float:
        k80, energy, d80, death_energy = ligands[str(s["ligand"])]
        help_, push, dull = bases[str(s["alkali"])]
        load, eq, temp, hold = float(s["palladium"]), float(s["boron"]), float(s["temp"]), float(s["hold"])
        k = rate_constant(k80, energy, temp, 80) * help_ / (1 + exp(-(temp - 45 - dull) / 8))
        death = rate_constant(d80, death_energy, temp, 80) * (0.6 + 0.2 * load)  # palladium black grows faster when there is more
        strip = rate_constant(0.030, 92, temp, 80) * push
        homo = 0.035 * load  # boron lost in reducing palladium(II)
        n = 140
        aryl, boron, product, past = 1.0, max(eq - homo, 0.2), 0.0, 0.0
        for i in range(1, n + 1):
            now = hold * (i / n) ** 2  # short steps at the start
            dt = now - past
            live = load**0.9 * exp(-death * (past + 0.5 * dt))
            past = now
            r = k * live / (0.35 + 0.65 * aryl)
            loss = 0.025 * k * live * (0.5 + 0.02 * max(temp - 60, 0))  # dehalogenation
            gone = aryl * (1 - 1 / (1 + dt * (r * boron + loss)))
            part = r * boron / (r * boron + loss + 1e-12)
            made = min(gone * part, 0.95 * boron)
            aryl -= made + gone * (1 - part)
            product += made
            boron = (boron - made) / (1 + dt * strip)
        clean = 0.97 - 0.012 * load**0.9 - 0.05 * max(eq - 1.3, 0)  # palladium scavenging, boronic leftovers
        return percent(product * clean)

    return Preparation("cross-coupling", space, truth, noise=2.0)


def distillation() -> Preparation:
    # Vacuum distillation of a heat-sensitive ester: boil-up, reflux, where the main cut starts and ends.
    space = Space(
        (
            number("pressure", Role.OTHER, "mbar", 2, 40, 1, 20, Stage.ISOLATION),
            number("bath", Role.TEMPERATURE, "°C", 120, 200, 5, 170, Stage.ISOLATION),
            number("forerun", Role.VOLUME, "vol%", 2, 24, 1, 7, Stage.ISOLATION),
            number("residue", Role.VOLUME, "vol%", 5, 35, 1, 20, Stage.ISOLATION),
            number("reflux", Role.RATIO, "", 0, 10, 0.5, 1, Stage.ISOLATION),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        p, bath, reflux = float(s["pressure"]), float(s["bath"]), float(s["reflux"])
        first, last = float(s["forerun"]) / 100, 1 - float(s["residue"]) / 100
        foot = p + 2.5  # the column adds its own pressure drop
        boil = 1.0 / (1.0 / (120 + 273.15) - R / 52.0 * log(foot / 15.0)) - 273.15 + 6
        flow = 0.9 * _soft(bath - boil, 7.0) / 20  # charge distilled per hour at no reflux
        load = flow / sqrt(foot / 15.0)  # vapour velocity
        plates = (1.2 + 5.5 * reflux / (reflux + 1.5)) / (1 + (load / 2.8) ** 3)
        hours = 0.4 + (1 + reflux) / (flow + 0.02)
        slow = 1 - _soft(1 - 10.0 / hours, 0.06)  # the day ends: what has not come over is left in the pot
        pot = min(bath - 4, boil + 8)
        lost = 1 - exp(
            -rate_constant(0.03, 105, pot, 140) * min(hours, 10.0) - rate_constant(0.008, 105, bath, 170) * min(hours, 10.0)
        )
        light, product = 0.09, 0.74 * (1 - lost)  # the rest is high boilers and tar
        width = 0.085 / (0.6 + plates)
        top = min(last, slow)

        def passed(x: float, edge: float) -> float:
            return width * log((1 + exp((x - edge) / width)) / (1 + exp(-edge / width)))  # ∫ logistic from 0 to x

        def cut(x: float) -> tuple[float, float, float]:
            after_light, after_product = passed(x, light), passed(x, light + product)
            return x - after_light, after_light - after_product, after_product

        if top <= first:
            return 0.0
        upper, lower = cut(top), cut(first)
        a, b, c = (max(u - w, 0.0) for u, w in zip(upper, lower, strict=True))
        purity = b / (a + b + 0.4 * c + 1e-12)  # tar hardly comes over
        good = 0.45 + 0.55 * logistic((purity - 0.94) / 0.018)  # impure cuts go back to the pot, mostly lost
        carry = 1 - 0.25 * logistic((load - 3.0) / 0.5)  # bumping and entrainment
        return percent(b / 0.74 * good * carry)

    return Preparation("vacuum distillation", space, truth, noise=2.0)


def bromination() -> Preparation:
    # Autocatalytic alpha-bromination of a ketone: the HBr formed speeds enolisation; dibromide when overdone.
    space = Space(
        (
            number("temp", Role.TEMPERATURE, "°C", 0, 50, 2, 16),
            number("addition", Role.HOLD_TIME, "min", 5, 120, 5, 30),
            number("bromine", Role.RATIO, "", 0.9, 1.6, 0.02, 1.1),
            number("seed", Role.LOADING, "mol%", 0, 20, 1, 0),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        bath, t_add, eq = float(s["temp"]), float(s["addition"]), float(s["bromine"])
        seed = float(s["seed"]) / 100  # hydrobromic acid at the start
        n = 240
        total = t_add + 40.0
        dt = total / n
        ketone, mono, bromine, acid = 1.0, 0.0, 0.0, seed
        heat = 0.0
        for i in range(n):
            inside = bath + heat
            bromine += dt * eq / t_add * min(max((t_add - i * dt) / dt, 0.0), 1.0)
            enol = rate_constant(0.0035, 78, inside, 20) + rate_constant(0.11, 70, inside, 20) * acid
            enol2 = rate_constant(0.0005, 92, inside, 20) + rate_constant(0.010, 92, inside, 20) * acid
            there = bromine / (bromine + 0.02)
            one = ketone * (1 - exp(-dt * enol * there))
            two = mono * (1 - exp(-dt * enol2 * there))
            scale = min(1.0, 0.95 * bromine / (one + two + 1e-12))
            one, two = one * scale, two * scale
            burn = (ketone + 0.3 * mono) * (1 - exp(-dt * rate_constant(0.005, 88, inside, 20) * bromine))  # tar: radical attack
            burn = min(burn, 0.5 * (ketone - one), 0.5 * bromine)
            ketone -= one + burn
            mono += one - two
            bromine = max(bromine - one - two - burn, 0.0)
            acid += one + two - dt * 0.006 * acid * exp(0.02 * (inside - 20))  # HBr gas leaves
            ketone /= 1 + dt * rate_constant(0.0006, 72, inside, 20) * acid  # self-condensation in strong acid
            heat = (heat + (one + two) * 55) * exp(-0.15 * dt)  # one mol/L in a stirred bath
        lachrymal = 0.03 * bromine  # unspent bromine goes on during the quench
        return percent(0.95 * (mono - lachrymal))

    return Preparation("autocatalytic bromination", space, truth, noise=2.0)


def diagonal_ridge() -> Preparation:
    # A curved ridge that runs diagonally, such as a framework solid that forms only where heat and modulator balance.
    space = Space(
        (
            number("modulator", Role.RATIO, "", 0, 60, 1, 12),
            number("oven", Role.TEMPERATURE, "°C", 80, 160, 2, 100),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        u, v = float(s["modulator"]) / 60, (float(s["oven"]) - 80) / 80
        along, across = (u + v) / 2, v - 0.08 - 0.95 * u + 0.25 * u * u
        crest = 84 - 95 * (along - 0.66) ** 2
        width = 0.15 if across > 0 else 0.22
        return percent(0.08 + (crest - 8) / 100 * exp(-0.5 * (across / width) ** 2))

    return Preparation("diagonal ridge", space, truth, noise=3.0)


def step_and_peak() -> Preparation:
    # A tilted step in pH and salt (nothing precipitates before it) times an off-centre peak in two other settings.
    space = Space(
        (
            number("ph", Role.OTHER, "", 2, 9, 0.1, 5),
            number("salt", Role.CONCENTRATION, "mol/L", 0, 3, 0.1, 1),
            number("ageing", Role.HOLD_TIME, "h", 1, 24, 1, 12, Stage.ISOLATION),
            number("ethanol", Role.VOLUME, "mL/g", 0, 10, 0.25, 4.75, Stage.ISOLATION),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        ph, salt, age, v = float(s["ph"]), float(s["salt"]), float(s["ageing"]), float(s["ethanol"])
        over = 5.3 + 0.45 * (salt - 1) - ph
        fall = 0.12 + 0.88 * logistic(over / 0.16)
        slide = 1 - 0.075 * max(over - 0.6, 0) - 0.03 * max(salt - 1.2, 0) ** 2
        a, b = (log(age) - log(6.5)) / 0.75, (v - 6.9) / 1.7
        peak = 0.42 + 0.58 * exp(-0.5 * (a * a + b * b - 0.5 * a * b))
        return percent(0.91 * fall * slide * peak)

    return Preparation("step and peak", space, truth, noise=2.0)


def five_waves() -> Preparation:
    # A random smooth response of five settings, some of them weaker than others.
    space = Space(
        (
            number("flow", Role.OTHER, "mL/min", 0.5, 5, 0.1, 2),
            number("temp", Role.TEMPERATURE, "°C", 20, 120, 5, 80),
            number("feed", Role.CONCENTRATION, "mol/L", 0.1, 1, 0.05, 0.3),
            number("ratio", Role.RATIO, "", 1, 3, 0.1, 1.5),
            number("gas", Role.OTHER, "bar", 1, 20, 1, 5),
        )
    )
    rng = np.random.default_rng(2029)
    waves = rng.normal(size=(60, 5)) * np.array([2.0, 2.8, 1.4, 1.0, 2.2])
    phases, heights = rng.uniform(0, 2 * np.pi, 60), rng.normal(size=60)
    ends = [(v.key, v.low, v.span) for v in space.variables]

    def truth(s: dict[str, Setting]) -> float:
        x = np.array([(float(s[key]) - low) / span for key, low, span in ends])
        f = float(np.sum(heights * np.cos(waves @ x + phases))) / sqrt(30)
        return percent(0.96 / (1 + exp(-(0.2 + 0.95 * f))))

    return Preparation("five waves", space, truth, noise=2.0)


ALL = (
    sandmeyer,
    grignard,
    ketoreductase,
    phase_transfer,
    recrystallisation,
    photocycloaddition,
    cross_coupling,
    distillation,
    bromination,
    diagonal_ridge,
    step_and_peak,
    five_waves,
)
