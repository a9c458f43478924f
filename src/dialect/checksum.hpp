// Checksums of line protocols, over bytes. Pure.
//
// Sources: xor_sum: the block check character of ISO 1155:1978 without its parity bit, the exclusive or of all bytes
// (from memory of the standard). lrc: "MODBUS over serial line" V1.02, section 6.2.1: the two's complement of the sum of
// all bytes, eight bits. crc16_modbus: the same, section 6.2.2: polynomial x^16 + x^15 + x^2 + 1, bits reversed
// (0xA001), start 0xFFFF, no final inversion; its value for "123456789" is 0x4B37 (published catalogues of CRCs).
#pragma once

#include <cstdint>
#include <string_view>

namespace nightwell::dialect {

[[nodiscard]] std::uint8_t xor_sum(std::string_view bytes);
[[nodiscard]] std::uint8_t lrc(std::string_view bytes);
[[nodiscard]] std::uint16_t crc16_modbus(std::string_view bytes);

}  // namespace nightwell::dialect
