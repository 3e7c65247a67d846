"""Twelve simulated preparations that took no part in any choice about the engine.

All data here are invented. They were written by someone who did not know how the runs are
chosen, and are there to see how far the other figures carry over. Nine follow mechanisms
(kinetics, equilibria, partition, solubility, losses in the work-up); three are empirical:
a polynomial surface, a threshold and a smooth random response.
"""

from __future__ import annotations

from math import exp, log1p, sqrt

import numpy as np

from server.core.space.limits import Space
from server.core.space.variables import Role, Setting, Stage
from tests.bench.preparations import Preparation, R, choice, logistic, number, percent, rate_constant


def _first(a: float, k_dt: float) -> float:
    """Amount of A that a first-order loss takes in one step."""
    return a * (1 - exp(-k_dt))


def _pair(a: float, b: float, k_dt: float) -> float:
    """Amount that A + B takes in one step; never more than the scarcer of the two."""
    total = a + b
    return a * b / total * (1 - exp(-k_dt * total)) if total > 1e-12 else 0.0


def dean_stark_ester() -> Preparation:
    # the butyl ester of a hindered acid: p-TsOH in toluene, water taken off in a Dean-Stark trap.
    space = Space(
        (
            number("reflux", Role.HOLD_TIME, "h", 1, 10, 0.5, 3),
            number("bath", Role.TEMPERATURE, "°C", 110, 160, 5, 125),
            number("butanol", Role.RATIO, "equiv", 1, 3, 0.1, 1.2),
            number("acid", Role.LOADING, "mol%", 0.5, 8, 0.5, 2),
            number("toluene", Role.VOLUME, "mL/g", 2, 12, 0.5, 6),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        bath, cat, volume = float(s["bath"]), float(s["acid"]), float(s["toluene"])
        # The pot stays near its boiling point; a hotter bath drives the boil-up more than the pot.
        pot = 100 + 0.25 * (bath - 110) + 8 * exp(-volume / 4)
        boil = 0.9 * (bath - 103) / 20 * (volume / (volume + 2.5))
        dt = float(s["reflux"]) / 120
        forward = rate_constant(0.62, 60, pot, 108) * (cat / 2) ** 0.75 * 6 / (volume + 2.5)
        ether = rate_constant(0.010, 105, pot, 108) * cat / 2
        char = rate_constant(0.008, 95, pot + 0.4 * (bath - 110), 120) * (cat / 2) ** 1.2 * 4 / (volume + 1)
        a, b, e, w = 1.0, float(s["butanol"]), 0.0, 0.03
        for _ in range(120):
            made = _pair(a, b, forward * dt)
            back = _pair(e, w, forward / 3.5 * dt)
            lost = _first(b, (ether + 0.018 * boil) * dt)
            a, e, b = a - made + back, e + made - back, b - made + back - lost
            w += made - back + 0.3 * lost
            w -= _first(w, boil * dt)
            ruined = _first(e, char * dt)
            e -= ruined
        # Bicarbonate wash: unreacted acid drags ester as emulsion; excess butanol costs a fore-run.
        wash = 0.97 - 0.06 * a - 0.004 * cat
        distilled = 0.96 - 0.035 * max(b, 0.0) ** 1.3 - 0.004 * volume / 4
        return percent(e * wash * distilled)

    return Preparation("Dean-Stark ester", space, truth, noise=2.0)


def suzuki_aryl_chloride() -> Preparation:
    # a Suzuki coupling of an aryl chloride with a heteroaryl boronic acid that loses boron.
    space = Space(
        (
            number("hold", Role.HOLD_TIME, "h", 1, 24, 1, 6),
            number("temp", Role.TEMPERATURE, "°C", 50, 110, 5, 80),
            number("palladium", Role.LOADING, "mol%", 0.5, 5, 0.5, 2),
            number("boronic", Role.RATIO, "equiv", 1, 2, 0.1, 1.3),
            choice("ligand", ("PPh3", "dppf", "SPhos", "XPhos"), "dppf"),
            choice("base", ("K2CO3", "K3PO4", "Cs2CO3", "KOH"), "K2CO3"),
        )
    )
    speed = {"PPh3": 0.12, "dppf": 0.36, "SPhos": 1.0, "XPhos": 1.25}
    death = {"PPh3": 0.22, "dppf": 0.07, "SPhos": 0.13, "XPhos": 0.10}
    activate = {"K2CO3": 0.75, "K3PO4": 1.15, "Cs2CO3": 1.0, "KOH": 1.5}
    deboron = {"K2CO3": 0.07, "K3PO4": 0.13, "Cs2CO3": 0.10, "KOH": 0.55}

    def truth(s: dict[str, Setting]) -> float:
        temp, load = float(s["temp"]), float(s["palladium"])
        ligand, base = str(s["ligand"]), str(s["base"])
        k = rate_constant(0.55, 82, temp, 80) * speed[ligand] * activate[base]
        dead = rate_constant(1.0, 90, temp, 80) * death[ligand]
        strip = rate_constant(1.0, 108, temp, 80) * deboron[base]
        dt = float(s["hold"]) / 120
        a, b, p, homo, pd = 1.0, float(s["boronic"]), 0.0, 0.0, load**0.85
        for _ in range(120):
            made = _pair(a, b, k * pd * dt)
            a, b, p = a - made, b - made, p + made
            b -= _first(b, strip * dt)
            dimer = _first(b, 0.014 * pd * b * dt)
            b, homo = b - dimer, homo + dimer / 2
            pd -= _first(pd, dead * (1 + 0.12 * load) * dt)
            # Palladium black and base open the chloropyridine ring of the starting material slowly.
            a -= _first(a, 0.004 * activate[base] * dt)
        column = 0.93 - 0.7 * homo - 0.07 * a - 0.012 * max(load - 2.5, 0)
        return percent(p * column)

    return Preparation("Suzuki, aryl chloride", space, truth, noise=2.5)


def lipase_resolution() -> Preparation:
    # a lipase hydrolysis of a racemic ester; the ester left, upgraded to 98 % ee, is the product (of theory).
    space = Space(
        (
            number("hold", Role.HOLD_TIME, "h", 2, 48, 1, 16),
            number("temp", Role.TEMPERATURE, "°C", 15, 55, 2.5, 30),
            number("enzyme", Role.LOADING, "mg/g", 5, 100, 5, 30),
            number("pH", Role.OTHER, "", 6, 9, 0.25, 7),
            choice("cosolvent", ("none", "acetone", "tBuOH", "DMSO"), "none"),
        )
    )
    ratio = {"none": 22.0, "acetone": 45.0, "tBuOH": 32.0, "DMSO": 28.0}
    pace = {"none": 1.0, "acetone": 0.55, "tBuOH": 0.8, "DMSO": 0.7}
    fade = {"none": 1.0, "acetone": 2.6, "tBuOH": 1.3, "DMSO": 1.6}

    def truth(s: dict[str, Setting]) -> float:
        temp, ph, solvent = float(s["temp"]), float(s["pH"]), str(s["cosolvent"])
        alpha = ratio[solvent] * exp(-0.018 * (temp - 25))
        bell = 1 / (1 + 10 ** (6.6 - ph) + 10 ** (ph - 8.7))
        v = rate_constant(0.19, 42, temp, 30) * (float(s["enzyme"]) / 30) ** 0.9 * pace[solvent] * bell
        dead = rate_constant(0.012, 110, temp, 35) * fade[solvent] * (1 + 2 * max(ph - 8, 0))
        blank = rate_constant(0.0012, 70, temp, 30) * 10 ** (0.55 * (ph - 7))
        dt = float(s["hold"]) / 150
        fast, slow, active, acid = 1.0, 1.0, 1.0, 0.0
        for _ in range(150):
            # Michaelis constants shared by both enantiomers; the acid released inhibits a little.
            field = v * active / (0.45 + fast + slow / 4 + 0.25 * acid)
            gone_fast = _first(fast, (field + blank) * dt)
            gone_slow = _first(slow, (field / alpha + blank) * dt)
            fast, slow, acid = fast - gone_fast, slow - gone_slow, acid + gone_fast + gone_slow
            active -= _first(active, dead * dt)
        # Recrystallisation to 98 % ee leaves about 1.6 times the minor enantiomer of the major one in the liquor.
        minor = max(fast - 0.01, 0.0)
        kept = slow - 1.6 * slow * (1 - exp(-minor))
        emulsion = 0.95 - 0.0009 * float(s["enzyme"])
        return percent(max(kept, 0.0) * emulsion)

    return Preparation("lipase resolution", space, truth, noise=2.0)


def cooling_crystallisation() -> Preparation:
    # the recrystallisation of a crude amide from ethanol-water; the yield is of material in specification.
    space = Space(
        (
            number("ethanol", Role.VOLUME, "mL/g", 3, 12, 0.5, 8, Stage.ISOLATION),
            number("water", Role.RATIO, "vol/vol", 0, 1.5, 0.1, 0.3, Stage.ISOLATION),
            number("final", Role.TEMPERATURE, "°C", -5, 25, 1, 10, Stage.ISOLATION),
            number("cooling", Role.HOLD_TIME, "h", 0.5, 12, 0.5, 2, Stage.ISOLATION),
            number("wash", Role.VOLUME, "mL/g", 0.5, 5, 0.5, 2, Stage.WORK_UP),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        v, w, final = float(s["ethanol"]), float(s["water"]), float(s["final"])
        hours, wash = float(s["cooling"]), float(s["wash"])
        total = v * (1 + w)
        part = w / (1 + w)
        # Solubility falls with water and cold; hot solution must hold all or the filter keeps some. [g/mL]
        cold = 0.052 * exp(0.036 * (final - 10)) * exp(-4.2 * part)
        hot = 0.052 * exp(0.036 * 62) * exp(-3.1 * part)
        dissolved = min(1.0, 1 - 0.6 * max(1 - hot * total, 0.0))
        left = min(cold * total, dissolved)
        grown = 1 - exp(-(0.5 + 0.75 * hours / (0.6 + part)))
        crystals = (dissolved - left) * grown
        # Fast cooling and strong supersaturation trap liquor; past a water content the crude oils out first.
        haste = (dissolved / max(left, 0.02) - 1) / (hours + 0.7)
        oil = logistic((part - 0.42 + 0.012 * (v - 6)) / 0.035)
        trapped = 0.018 + 0.010 * haste + 0.09 * oil
        impurity = (0.06 / total * 5 + 0.05 * part) * 0.25 + trapped
        impurity *= 0.35 + 0.65 * exp(-0.7 * wash)
        washed = crystals - 0.6 * cold * wash * (0.4 + crystals)
        rework = 1 - 0.8 * (1 - exp(-max(impurity - 0.012, 0.0) / 0.09))
        fines = 1 - 0.02 * min(haste, 5) ** 0.5
        return percent(max(washed, 0.0) * rework * fines * 0.985)

    return Preparation("cooling crystallisation", space, truth, noise=1.5)


def alkaloid_extraction() -> Preparation:
    # An alkaloid out of leaves: hot water with carbonate, then shaking out with an organic solvent, drying, evaporation.
    space = Space(
        (
            number("boil", Role.HOLD_TIME, "min", 5, 60, 5, 10),
            number("bath", Role.TEMPERATURE, "°C", 60, 100, 5, 85),
            number("water", Role.VOLUME, "mL/g", 6, 30, 1, 12),
            number("carbonate", Role.RATIO, "g/g", 0, 1, 0.1, 0.3),
            choice("solvent", ("CH2Cl2", "CHCl3", "EtOAc"), "CH2Cl2", Stage.WORK_UP),
            number("shakes", Role.COUNT, "", 1, 5, 1, 2, Stage.WORK_UP),
            number("portion", Role.VOLUME, "mL/g", 1, 8, 0.5, 2.5, Stage.WORK_UP),
        )
    )
    partition = {"CH2Cl2": 8.5, "CHCl3": 13.0, "EtOAc": 2.4}
    emulsify = {"CH2Cl2": 1.0, "CHCl3": 1.35, "EtOAc": 0.45}
    dissolves = {"CH2Cl2": 0.012, "CHCl3": 0.006, "EtOAc": 0.06}

    def truth(s: dict[str, Setting]) -> float:
        minutes, bath, water = float(s["boil"]), float(s["bath"]), float(s["water"])
        soda, solvent = float(s["carbonate"]), str(s["solvent"])
        shakes, portion = int(float(s["shakes"])), float(s["portion"])
        # Carbonate frees the alkaloid from its tannates; fast (cut leaf) and slow (whole leaf) fractions.
        k = rate_constant(0.11, 38, bath, 90)
        free = 0.80 + 0.20 * (1 - exp(-soda / 0.22))
        leached = free * (0.65 * (1 - exp(-2.2 * k * minutes)) + 0.35 * (1 - exp(-0.35 * k * minutes)))
        liquor = leached * (1 - 3.0 / (water + 1.2))
        # Saponins come later and hotter; strong base makes soaps: both emulsify the shaking out.
        soap = rate_constant(0.012, 60, bath, 90) * minutes * (0.5 + 1.3 * soda**2)
        phase = water - 3.0
        carried = 0.0
        for _ in range(shakes):
            organic = max(portion - dissolves[solvent] * phase, 0.05)
            d = partition[solvent]
            moved = liquor * d * organic / (d * organic + phase)
            rag = min(0.02 + 0.10 * emulsify[solvent] * soap * (0.6 + 1.2 / portion), 0.6)
            carried += moved * (1 - rag)
            liquor -= moved
        # Drying agent holds solvent by the total volume; long evaporation and sublimation take a little.
        volume = shakes * portion
        dried = 1 - 0.025 - 0.35 * 0.08 / (0.4 + 0.15 * volume) - 0.0035 * volume
        return percent(carried * dried)

    return Preparation("alkaloid extraction", space, truth, noise=2.5)


def oxidised_complex() -> Preparation:
    # A metal complex by oxidation of a slurry with peroxide, more ligand, then an antisolvent for crystals.
    space = Space(
        (
            number("temp", Role.TEMPERATURE, "°C", 20, 75, 5, 55),
            number("addition", Role.HOLD_TIME, "min", 5, 60, 5, 15),
            number("peroxide", Role.RATIO, "equiv", 0.8, 3, 0.1, 1.2),
            number("more", Role.RATIO, "equiv", 0.5, 2, 0.1, 0.8, Stage.REACTION_2),
            number("ethanol", Role.VOLUME, "mL/g", 0, 12, 0.5, 4, Stage.ISOLATION),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        temp, minutes, acid, alcohol = float(s["temp"]), float(s["addition"]), float(s["more"]), float(s["ethanol"])
        oxidise = rate_constant(0.30, 62, temp, 40)
        decompose = rate_constant(0.06, 90, temp, 40)
        consume = rate_constant(0.012, 90, temp, 40)
        revert = rate_constant(0.0002, 115, temp, 40)
        # Peroxide dripped in over the addition time, then ten minutes of stirring.
        dt = (minutes + 10) / 150
        drip = float(s["peroxide"]) / 2 / minutes
        reduced, h2o2, free = 1.0, 0.0, 1.5
        for step in range(150):
            h2o2 += drip * min(max(minutes - step * dt, 0.0), dt)
            met = _pair(reduced / 2, h2o2, oxidise * 2 * dt)
            # The hot complex is reduced back.
            reduced, h2o2 = reduced - 2 * met + _first(1 - reduced, revert * dt), h2o2 - met
            h2o2 -= _first(h2o2, (decompose * (0.5 + (1 - reduced))) * dt)
            eaten = _pair(free, h2o2, consume * dt * 3)
            free, h2o2 = free - eaten, h2o2 - eaten
        oxidised = 1 - reduced
        # A third of the metal is hydroxide until more ligand dissolves it.
        # Peroxide left over is boiled off and burns ligand meanwhile.
        ligand = (free + 0.55 + acid - 0.6 * h2o2) / 3
        bound = oxidised * (1 - exp(-((ligand / (0.86 * max(oxidised, 0.05))) ** 4)))
        surplus = max(ligand - oxidised, 0.0) + 0.4 * max(acid - 1.0, 0.0)
        # Crystals: ethanol lowers the solubility but throws out free ligand too, washed away at a cost.
        soluble = 0.34 * exp(-0.36 * alcohol) + 0.035 + 0.03 * surplus
        crystals = bound * (1 - soluble) * (1 - 0.35 * h2o2)
        salt = surplus * (1 - exp(-0.22 * alcohol)) + 0.015 * max(alcohol - 6, 0) + 0.25 * reduced
        return percent(crystals * (0.97 - 0.55 * salt / (1 + salt)))

    return Preparation("oxidation, then crystals", space, truth, noise=2.0)


def lactide_polymer() -> Preparation:
    # ring-opening polymerisation of lactide with Sn(Oct)2 in the melt; polymer precipitated with methanol.
    space = Space(
        (
            number("hold", Role.HOLD_TIME, "h", 0.5, 12, 0.5, 2),
            number("temp", Role.TEMPERATURE, "°C", 110, 200, 5, 130),
            number("tin", Role.LOADING, "mol%", 0.02, 0.4, 0.02, 0.1),
            number("methanol", Role.VOLUME, "mL/g", 2, 16, 1, 6, Stage.ISOLATION),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        temp, tin, poured = float(s["temp"]), float(s["tin"]), float(s["methanol"])
        kelvin = temp + 273.15
        # Monomer left at equilibrium (about 2 % at 130 °C, 7 % at 190 °C); traces of water eat tin.
        rest = min(exp(-23.0 / R / kelvin + 2.95), 0.5)
        k = rate_constant(7.0, 70, temp, 130) * max(tin - 0.015, 0.002)
        bite = rate_constant(0.045, 88, temp, 150) * tin / 0.1
        cleave = rate_constant(0.06, 105, temp, 170) * (0.4 + tin / 0.1)
        dt = float(s["hold"]) / 120
        monomer, chain, rings, cuts = 1.0, 0.0, 0.0, 0.0
        for _ in range(120):
            # Below about 150 °C the melt thickens and the last monomer meets the chain ends slowly.
            thick = 1 / (1 + 3.0 * chain**4 * exp(-(temp - 120) / 22))
            made = (monomer - rest) * (1 - exp(-k * thick * dt))
            cut = _first(chain, 0.06 * bite * dt)
            monomer, chain, rings = monomer - made, chain + made - cut, rings + cut
            cuts += cleave * dt
        # Initiator and scission set the length; short chains stay in methanol, too little methanol keeps polymer as gum.
        length = chain * 120 / (1 + 1.5 * tin / 0.1 * 0.4 + cuts)
        insoluble = 1 - exp(-((length / 9) ** 0.8))
        thrown = 1 - 0.30 * exp(-(poured - 2) / 2.6) - 0.004 * (poured - 2) * (1 + cuts)
        return percent(max(chain, 0.0) * insoluble * thrown * 0.97)

    return Preparation("lactide polymer", space, truth, noise=2.0)


def framework_solid() -> Preparation:
    # A framework solid by hydrothermal growth: aged gel nucleates, grows by autocatalysis, then turns to a denser phase.
    space = Space(
        (
            number("ageing", Role.HOLD_TIME, "h", 0, 24, 1, 2),
            number("heating", Role.HOLD_TIME, "h", 1, 12, 0.5, 4, Stage.REACTION_2),
            number("oven", Role.TEMPERATURE, "°C", 60, 120, 5, 85, Stage.REACTION_2),
            number("soda", Role.RATIO, "Na2O/SiO2", 0.8, 3, 0.1, 1.3),
            number("dilution", Role.RATIO, "H2O/Na2O", 20, 80, 5, 50),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        oven, soda, dilution = float(s["oven"]), float(s["soda"]), float(s["dilution"])
        alkali = soda**0.6 * 45 / dilution
        seeds = 0.002 + 0.022 * (1 - exp(-float(s["ageing"]) * alkali / 7))
        grow = rate_constant(1.7, 68, oven, 90) * alkali**0.8
        nucleate = rate_constant(0.010, 75, oven, 90) * alkali
        turn = rate_constant(0.014, 95, oven, 95) * alkali**1.9
        dt = float(s["heating"]) / 150
        gel, a, dense = 1.0 - seeds, seeds, 0.0
        for _ in range(150):
            fresh = _first(gel, nucleate * dt)
            gel, a = gel - fresh, a + fresh
            made = _pair(gel, a, grow * dt)
            gel, a = gel - made, a + made
            lost = _first(a, turn * (0.25 + 3 * dense) * dt)
            a, dense = a - lost, dense + lost
        # Strong alkali keeps silicate and aluminate dissolved; unused gel clogs the filter and costs crystals.
        dissolved = 0.03 + 0.055 * soda**1.3 * (dilution / 50) ** 0.4
        clog = 0.12 * gel
        # Little soda leaves silica undissolved, and a thick gel mixes badly: both stay amorphous.
        reached = (1 - 0.6 * exp(-soda / 0.45)) * (1 - 0.30 * exp(-(dilution - 20) / 9))
        return percent(a * reached * (1 - dissolved) * (1 - clog) * 0.98)

    return Preparation("framework solid", space, truth, noise=2.5)


def reductive_amination() -> Preparation:
    # a one-pot reductive amination: imine with acetic acid, then triacetoxyborohydride, quench and washes.
    space = Space(
        (
            choice("solvent", ("CH2Cl2", "DCE", "THF", "MeOH", "MeCN"), "CH2Cl2"),
            number("amine", Role.RATIO, "equiv", 1, 2, 0.1, 1.1),
            number("acid", Role.RATIO, "equiv", 0, 3, 0.25, 0.5),
            number("hold1", Role.HOLD_TIME, "h", 0.25, 8, 0.25, 1),
            number("hydride", Role.RATIO, "equiv", 1, 3, 0.1, 1.3, Stage.REACTION_2),
            number("temp2", Role.TEMPERATURE, "°C", -10, 50, 5, 20, Stage.REACTION_2),
            number("hold2", Role.HOLD_TIME, "h", 1, 24, 1, 6, Stage.REACTION_2),
            number("washes", Role.COUNT, "", 1, 5, 1, 3, Stage.WORK_UP),
        )
    )
    condense = {"CH2Cl2": 0.7, "DCE": 0.8, "THF": 0.45, "MeOH": 1.6, "MeCN": 0.6}
    imine_at_rest = {"CH2Cl2": 2.6, "DCE": 2.9, "THF": 1.9, "MeOH": 1.1, "MeCN": 1.6}
    reduces = {"CH2Cl2": 0.75, "DCE": 1.0, "THF": 0.7, "MeOH": 0.9, "MeCN": 0.95}
    spoils = {"CH2Cl2": 0.05, "DCE": 0.05, "THF": 0.04, "MeOH": 1.4, "MeCN": 0.07}

    def truth(s: dict[str, Setting]) -> float:
        solvent, acid, temp = str(s["solvent"]), float(s["acid"]), float(s["temp2"])
        # Acid carries the condensation until it has protonated the amine.
        help_ = (0.25 + 1.4 * acid) / (1 + 0.35 * acid**2)
        k_on = condense[solvent] * help_
        k_off = k_on / imine_at_rest[solvent] / 2
        ketone, amine, imine, water = 1.0, float(s["amine"]), 0.0, 0.05
        dt = float(s["hold1"]) / 60
        for _ in range(60):
            made, back = _pair(ketone, amine, k_on * dt), _pair(imine, water, 2 * k_off * dt)
            net = made - back
            ketone, amine, imine, water = ketone - net, amine - net, imine + net, water + net
        warm = rate_constant(1.0, 45, temp, 20)
        k_red = 0.55 * rate_constant(1.0, 52, temp, 20) * reduces[solvent] * (0.5 + 0.8 * acid / (0.6 + acid))
        k_alcohol = 0.025 * rate_constant(1.0, 66, temp, 20) * reduces[solvent]
        k_spoil = (spoils[solvent] + 0.010 * acid + 0.03) * rate_constant(1.0, 60, temp, 20)
        k_twice = 0.045 * rate_constant(1.0, 58, temp, 20) * help_
        hydride, product, alcohol, twice = float(s["hydride"]), 0.0, 0.0, 0.0
        dt = float(s["hold2"]) / 120
        for _ in range(120):
            net = _pair(ketone, amine, k_on * warm * dt) - _pair(imine, water, 2 * k_off * warm * dt)
            ketone, amine, imine, water = ketone - net, amine - net, imine + net, water + net
            red = _pair(imine, hydride, k_red * dt)
            imine, hydride, product = imine - red, hydride - red, product + red
            off = _pair(ketone, hydride, k_alcohol * dt)
            ketone, hydride, alcohol = ketone - off, hydride - off, alcohol + off
            over = _pair(product, ketone, k_twice * dt)
            product, ketone, twice = product - over, ketone - over, twice + over
            hydride -= _first(hydride, k_spoil * dt)
        # Washes take out amine, borate and acid; leftover amine and imine otherwise cost on the column.
        n = float(s["washes"])
        dirt = (0.16 * max(amine, 0.0) + 0.13 * float(s["hydride"]) / 2 + 0.025 * acid) * exp(-0.5 * (n - 1))
        drag = 1 - (0.010 if solvent in ("CH2Cl2", "DCE") else 0.022) * n
        column = 0.96 - 0.10 * imine - 0.15 * twice - dirt
        return percent(product * drag * column)

    return Preparation("one-pot reductive amination", space, truth, noise=2.5)


def shono_surface() -> Preparation:
    # a Shono methoxylation of a carbamate as a fitted response surface with interactions and one cubic term.
    space = Space(
        (
            number("charge", Role.RATIO, "F/mol", 1.8, 5, 0.1, 2.4),
            number("current", Role.OTHER, "mA/cm2", 2, 30, 1, 20),
            number("temp", Role.TEMPERATURE, "°C", -10, 40, 2.5, 25),
            number("electrolyte", Role.CONCENTRATION, "mol/L", 0.02, 0.3, 0.02, 0.1),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        q = (float(s["charge"]) - 3.4) / 1.6
        j = (float(s["current"]) - 16) / 14
        t = (float(s["temp"]) - 15) / 25
        e = (float(s["electrolyte"]) - 0.16) / 0.14
        y = 70.5 + 5.2 * q - 8.4 * j - 4.1 * t + 3.6 * e
        y += -13.5 * q * q - 6.2 * j * j - 5.4 * t * t - 4.8 * e * e
        y += 5.6 * q * j - 4.4 * q * t + 3.9 * j * e - 3.1 * j * t + 1.2 * t * e
        y += 2.6 * q**3
        return percent(y / 100)

    return Preparation("Shono surface", space, truth, noise=2.0)


def lithiation() -> Preparation:
    # ortho-lithiation and trapping: nothing until acidic protons are used up, aryne loss once too warm.
    space = Space(
        (
            number("temp", Role.TEMPERATURE, "°C", -90, -20, 2, -78),
            number("BuLi", Role.RATIO, "equiv", 0.9, 2, 0.05, 1.1),
        )
    )

    def truth(s: dict[str, Setting]) -> float:
        temp, equiv = float(s["temp"]), float(s["BuLi"])
        # Wet solvent takes 0.12 equivalent before any aryl is lithiated; the edge is a little rounded.
        active = 0.03 * log1p(exp((equiv - 0.12) / 0.03))
        reached = 1 - exp(-rate_constant(2.2, 38, temp, -70) * active**1.2)
        lithiated = reached * (min(active, 1.0) - 0.06 * exp(-(((active - 1) / 0.08) ** 2)))
        over = 0.34 * max(active - 1.05, 0.0)
        alive = 1 - 0.9 * logistic((temp + 49) / 2.6)
        return percent(0.93 * lithiated * alive * (1 - over))

    return Preparation("lithiation", space, truth, noise=3.0)


def photoredox_smooth() -> Preparation:
    # a photoredox arylation in flow that nobody has modelled: a smooth random response for each catalyst.
    space = Space(
        (
            choice("catalyst", ("Ir(ppy)3", "Ru(bpy)3", "4CzIPN", "eosin Y"), "Ru(bpy)3"),
            number("residence", Role.HOLD_TIME, "min", 5, 60, 5, 20),
            number("loading", Role.LOADING, "mol%", 0.2, 3, 0.2, 1),
            number("amine", Role.RATIO, "equiv", 1, 4, 0.25, 2),
            number("conc", Role.CONCENTRATION, "mol/L", 0.02, 0.3, 0.02, 0.1),
        )
    )
    rng = np.random.default_rng(2024)
    waves = rng.normal(size=(30, 4)) * 1.9
    phases = rng.uniform(0, 2 * np.pi, 30)
    shared = rng.normal(size=30)
    own = {name: 0.75 * shared + 0.65 * rng.normal(size=30) for name in ("Ir(ppy)3", "Ru(bpy)3", "4CzIPN", "eosin Y")}
    level = {"Ir(ppy)3": 0.25, "Ru(bpy)3": 0.0, "4CzIPN": 0.3, "eosin Y": -0.5}
    spans = {"residence": (5, 60), "loading": (0.2, 3), "amine": (1, 4), "conc": (0.02, 0.3)}

    def truth(s: dict[str, Setting]) -> float:
        x = np.array([(float(s[key]) - low) / (high - low) for key, (low, high) in spans.items()])
        catalyst = str(s["catalyst"])
        f = float(np.sum(own[catalyst] * np.cos(waves @ x + phases))) / sqrt(15)
        return percent(0.95 * logistic(level[catalyst] + 0.95 * f))

    return Preparation("photoredox, smooth random", space, truth, noise=2.5)


ALL = (
    dean_stark_ester,
    suzuki_aryl_chloride,
    lipase_resolution,
    cooling_crystallisation,
    alkaloid_extraction,
    oxidised_complex,
    lactide_polymer,
    framework_solid,
    reductive_amination,
    shono_surface,
    lithiation,
    photoredox_smooth,
)
