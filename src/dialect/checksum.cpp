#include "dialect/checksum.hpp"

namespace nightwell::dialect {

std::uint8_t xor_sum(std::string_view bytes) {
  unsigned sum = 0;
  for (const char c : bytes) sum ^= static_cast<unsigned char>(c);
  return static_cast<std::uint8_t>(sum);
}

std::uint8_t lrc(std::string_view bytes) {
  unsigned sum = 0;
  for (const char c : bytes) sum += static_cast<unsigned char>(c);
  return static_cast<std::uint8_t>(0x100U - (sum & 0xFFU));
}

std::uint16_t crc16_modbus(std::string_view bytes) {
  unsigned crc = 0xFFFF;
  for (const char c : bytes) {
    crc ^= static_cast<unsigned char>(c);
    for (int bit = 0; bit < 8; ++bit) crc = (crc & 1U) != 0 ? (crc >> 1U) ^ 0xA001U : crc >> 1U;
  }
  return static_cast<std::uint16_t>(crc);
}

}  // namespace nightwell::dialect
