"""Found errors beside the simulated probes' true ones. compare.py RESULTS.json TRUTH.json SOURCE

The combined standard uncertainty of a found error is made of the scatter of its readings (standard deviation of the mean),
the reference's certificate (U95 / 2), the bath's axial difference between reference and item (rectangular) and, for a
thermocouple, its junction sensor's (U95 / 2, taken with sensitivity 1: type T's changes by a quarter over this range). Exit 1
where a found error is further than three of these from the true one, or where nothing was found.
"""
import json
import math
import sys


def combined_s(item, reference_u95_k, junction_u95_k, axial_k):
    scatter = item["error_sd_k"] / math.sqrt(item["n"])
    return math.sqrt(scatter**2 + (reference_u95_k / 2)**2 + (junction_u95_k / 2)**2 + axial_k**2 / 3)


def main():
    with open(sys.argv[1]) as f:
        results = json.load(f)
    with open(sys.argv[2]) as f:
        truth = json.load(f)
    reference = next(c for c in results["channels"] if c["role"] == "reference")
    junctions = [c["u95_k"] for c in results["channels"] if c["role"] == "junction"]
    thermocouples = {c["name"] for c in results["channels"] if c["measures"] == "voltage"}
    source = truth["sources"][sys.argv[3]]
    found = outside = 0
    print(f"{'setpoint':>8}  {'item':<9} {'found':>8} {'true':>8} {'apart':>8} {'s':>7}   K")
    for plateau in results["plateaus"]:
        for item in plateau["items"]:
            if item["error_k"] is None:
                continue
            t_c = plateau["reference"]["mean_c"]
            sensor = truth["sensors"][item["name"]]
            true_k = sensor["offset_k"] + sensor["slope_k_per_k"] * t_c
            axial_k = abs(source["axial_k"] + source["axial_k_per_k"] * (t_c - truth["ambient_c"]))
            junction_u95_k = junctions[0] if item["name"] in thermocouples else 0
            s = combined_s(item, reference["u95_k"], junction_u95_k, axial_k)
            apart = item["error_k"] - true_k
            far = abs(apart) > 3 * s
            found += 1
            outside += far
            print(f"{plateau['setpoint_c']:8.1f}  {item['name']:<9} {item['error_k']:8.4f} {true_k:8.4f} {apart:8.4f} {s:7.4f}"
                  f"{'   more than 3 s apart' if far else ''}")
    print(f"{found} errors found, {found - outside} within 3 combined standard deviations of the true one")
    sys.exit(1 if outside or not found else 0)


main()
