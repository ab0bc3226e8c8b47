"""What the tool must read from hv_server.py, in physical units, worked out by hand from the map."""

# Kind: derived (raw value x scale + offset by hand, for instance 524 x 0.1 = 52.4)
SAME_IN_ALL = {
    "map_mark": 21318, "module_count": 2, "nominal_capacity": 100.0, "serial": "INV-0042-HV",
    "model": "Invented stack", "firmware": "2.4", "built": 20260311,
    "module_serial[1]": "MOD-A-0001", "module_serial[2]": "MOD-A-0002", "module_firmware[2]": "1.7",
    "module_position[2]": 2, "warnings": 0, "latched": 0, "pack_voltage": 196.21, "pack_current": 0.0,
    "pack_power": 0, "soc": 52.4, "soh": 99.1, "cell_voltage_max": 3.272, "cell_voltage_min": 3.268,
    "cell_temperature_max": 22.2, "cell_temperature_min": 21.4, "cycles": 17, "module_voltage[1]": 98.12,
    "module_voltage[2]": 98.09, "module_soc[1]": 52, "module_balancing[1]": 0,
    "cell_voltage[1.1]": 3.271, "cell_voltage[1.4]": 3.269, "cell_voltage[1.30]": 3.271,
    "cell_voltage[2.1]": 3.268, "cell_voltage[2.21]": 3.271, "cell_voltage[2.30]": 3.271,
    "cell_temperature[1.1]": 21.5, "cell_temperature[2.4]": 22.2, "cell_temperature[2.8]": 21.8,
}
BY_CASE = {
    "waiting": {"state": 2, "alarm_1": 0, "alarm_2": 0x1F00, "inverter_ever_heard": 0, "insulation": 2200},
    "fault": {"state": 7, "alarm_1": 0, "alarm_2": 0x1F01, "insulation": 42},
    "normal": {"state": 4, "alarm_2": 0, "switches": 3, "terminal_voltage": 196.2, "charge_limit": 50.0},
    "unreadable": {"state": 2, "alarm_1": None, "alarm_2": 0x1F00},
    "frozen": {"state": 2, "alarm_2": 0x1F00, "own_heartbeat": 0},
}
CELLS, SENSORS, MODULES = 30, 8, 2


def compare(case, readings):
    """Every difference between what was read and what must have been read."""
    found = {reading["point"]: reading for reading in readings}
    differences = []
    for point, expected in {**SAME_IN_ALL, **BY_CASE[case]}.items():
        value = found.get(point, {}).get("value", "nothing")
        if value != expected:
            differences.append(f"{point}: expected {expected!r}, found {value!r}")
    for name, each in (("cell_voltage", CELLS), ("cell_temperature", SENSORS)):
        count = sum(1 for point in found if point.startswith(f"{name}["))
        if count != each * MODULES:
            differences.append(f"{name}: expected {each * MODULES} readings, found {count}")
    return differences
