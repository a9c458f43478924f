// A dialect as bare as manuals have them: no checksum, and replies that do not say what they answer.
#pragma once

namespace nightwell::conformance::test {

inline constexpr const char* plain_bath = R"({
  "format": "nightwell-dialect/1", "dialect": "plain-bath", "revision": 1, "for": "heat_source",
  "line": {"command_end": "CR", "reply_end": "CR", "quiet_ms": 60},
  "fields": {
    "who": {"type": "text"}, "t": {"type": "number", "unit": "celsius", "decimals": 2},
    "heat": {"type": "state", "on": ["ON"], "off": ["OFF"]}, "n": {"type": "integer"}
  },
  "refused": ["ERR {n}"],
  "commands": {
    "identity": {"kind": "query", "send": "VER", "reply": "BATH {who}"},
    "temperature": {"kind": "query", "send": "PV", "reply": "{t}", "value": "t"},
    "target": {"kind": "query", "send": "SP", "reply": "{t}", "value": "t"},
    "set_target": {"kind": "heat_setting", "send": "SP={t}", "reply": "OK"},
    "output": {"kind": "query", "send": "HEAT", "reply": "{heat}", "value": "heat"},
    "output_on": {"kind": "heat_setting", "send": "HEAT=1", "reply": "OK"},
    "output_off": {"kind": "heat_setting", "send": "HEAT=0", "reply": "OK"}
  }
})";

}  // namespace nightwell::conformance::test
