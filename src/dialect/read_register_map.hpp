// The `modbus` object and the steps of a dialect file -> a register map. The format: docs/dialects.md, "Modbus".
//
// Pure. Adds every fault it finds, each at its place; what is given back is a map only where it added none.
#pragma once

#include "dialect/dialect.hpp"
#include "plan/object_reader.hpp"

namespace nightwell::dialect {

// Reads the keys "modbus", "start_up", "park" and "limits" of a file into `dialect`.
void read_register_map(plan::ObjectReader& root, plan::FaultList& faults, Dialect& dialect);

}  // namespace nightwell::dialect
