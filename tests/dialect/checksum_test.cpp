// Checksums against published values, and on lines.
#include "dialect/checksum.hpp"

#include <catch2/catch.hpp>

#include "dialect/codec.hpp"

using namespace nightwell::dialect;

TEST_CASE("checksums have their published values", "[checksum]") {
  // The catalogue of parametrised CRC algorithms: CRC-16/MODBUS, check = 0x4B37 (from memory of the catalogue).
  CHECK(crc16_modbus("123456789") == 0x4B37);
  // MODBUS over serial line V1.02, section 6.2.2 has the frame 02 07 with the CRC 41 12 on the line, low byte first (from
  // memory of the document).
  CHECK(crc16_modbus(std::string_view("\x02\x07", 2)) == 0x1241);
  // By hand: 01 + 03 + 00 + 6B + 00 + 03 = 72, two's complement 8E.
  CHECK(lrc(std::string_view("\x01\x03\x00\x6B\x00\x03", 6)) == 0x8E);
  // By hand: 'A' ^ 'B' = 0x41 ^ 0x42 = 0x03.
  CHECK(xor_sum("AB") == 0x03);
  CHECK(xor_sum("") == 0);
  CHECK(lrc("") == 0);
}

TEST_CASE("a checksum is put behind a command and demanded of a reply", "[checksum]") {
  Dialect dialect;
  dialect.command_end = "\r";
  dialect.checksum.kind = ChecksumKind::xor_sum;
  dialect.checksum.mark = "*";
  CHECK(framed("AB", dialect) == "AB*03\r");
  CHECK(without_checksum("AB*03", dialect.checksum) == "AB");
  for (const char* line : {"AB*04", "AB03", "AB*3", "", "*", "CB*03", "AB*03 ", "AB*G3"})
    CHECK_FALSE(without_checksum(line, dialect.checksum).has_value());
  dialect.checksum.skip = 1;  // the start byte is not covered
  CHECK(framed(":AB", dialect) == ":AB*03\r");
  dialect.checksum = Checksum{ChecksumKind::crc16_modbus, 0, "", false};
  CHECK(framed("123456789", dialect) == "1234567894B37\r");
  dialect.checksum.low_first = true;
  CHECK(framed("123456789", dialect) == "123456789374B\r");
  CHECK(without_checksum("123456789374b", dialect.checksum) == "123456789");
}

TEST_CASE("every damaged byte of a line with a checksum is noticed", "[checksum]") {
  Checksum checksum;
  checksum.kind = ChecksumKind::xor_sum;
  checksum.mark = "*";
  Dialect dialect;
  dialect.checksum = checksum;
  const std::string line = framed("T+0020.50", dialect);
  for (std::size_t at = 0; at < line.size(); ++at)
    for (int bit = 0; bit < 8; ++bit) {
      std::string damaged = line;
      damaged[at] = static_cast<char>(damaged[at] ^ (1 << bit));
      const bool same_digit = at >= line.size() - 2 && (damaged[at] ^ line[at]) == 0x20;  // "A" and "a" are one digit
      if (!same_digit) CHECK_FALSE(without_checksum(damaged, checksum).has_value());
    }
}
