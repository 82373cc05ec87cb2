/* A file layer that knows what would be left after the power fails. Preloaded into a program, it keeps in the folder
 * POWER_LOSS what was synced: "file.INODE" is a file's contents at its last fsync or fdatasync, "folder.INODE" a folder's
 * entries ("INODE NAME" lines) at its last. Whatever is not there would be lost. Strict: a name counts only once its folder
 * was synced, as POSIX allows and ext4 is kinder. */
#define _GNU_SOURCE
#include <dirent.h>
#include <dlfcn.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

static pthread_mutex_t turn = PTHREAD_MUTEX_INITIALIZER;

static void keep(int fd)
{
    const char *shadow = getenv("POWER_LOSS");
    char from[64], new[4096], kept[4096], bytes[65536];
    struct stat data;
    ssize_t length;
    if (!shadow || fstat(fd, &data) != 0)
        return;
    int folder = S_ISDIR(data.st_mode);
    if (!folder && !S_ISREG(data.st_mode))
        return;
    snprintf(from, sizeof from, "/proc/self/fd/%d", fd);
    snprintf(kept, sizeof kept, "%s/%s.%lu", shadow, folder ? "folder" : "file", (unsigned long)data.st_ino);
    snprintf(new, sizeof new, "%s.new", kept);
    pthread_mutex_lock(&turn);
    FILE *out = fopen(new, "w");
    if (out && folder) {
        DIR *entries = opendir(from);
        struct dirent *entry;
        while (entries && (entry = readdir(entries)))
            fprintf(out, "%lu %s\n", (unsigned long)entry->d_ino, entry->d_name);
        if (entries)
            closedir(entries);
    } else if (out) {
        int in = open(from, O_RDONLY);
        while (in >= 0 && (length = read(in, bytes, sizeof bytes)) > 0)
            fwrite(bytes, 1, (size_t)length, out);
        if (in >= 0)
            close(in);
    }
    if (out && fclose(out) == 0)
        rename(new, kept);
    pthread_mutex_unlock(&turn);
}

int fsync(int fd)
{
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fsync");
    int result = real(fd);
    if (result == 0)
        keep(fd);
    return result;
}

int fdatasync(int fd)
{
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fdatasync");
    int result = real(fd);
    if (result == 0)
        keep(fd);
    return result;
}
