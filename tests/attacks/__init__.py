"""Every attack, group by group. Each module adds its own when it is loaded."""

from . import arguments, base, clocks, files, network, outputs, ports, recordings, signals, texts

base.limits()
ATTACKS = [
    attack
    for module in (texts, network, files, recordings, outputs, signals, clocks, ports, arguments)
    for attack in module.GROUP.attacks
]
