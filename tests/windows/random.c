/* Random numbers for programs of today on an emulation layer of 2022: the same from the call that it knows.
   Only the tests use it; a real Windows brings its own. */
#include <windows.h>

BOOLEAN NTAPI SystemFunction036(PVOID, ULONG);

__declspec(dllexport) BOOL WINAPI ProcessPrng(PBYTE bytes, SIZE_T count)
{
    while (count > 0) {
        ULONG part = count > 0x10000000 ? 0x10000000 : (ULONG)count;
        if (!SystemFunction036(bytes, part))
            return FALSE;
        bytes += part;
        count -= part;
    }
    return TRUE;
}
