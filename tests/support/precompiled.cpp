// Owns the precompiled header that every test program reuses (main.cpp cannot: it configures Catch2 first).
