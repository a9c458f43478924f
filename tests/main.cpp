// The one file that compiles Catch2's main (it is slow); every test program links its object.
#define CATCH_CONFIG_MAIN
#include <catch2/catch.hpp>
